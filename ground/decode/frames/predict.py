"""The fast road: every frame of an undamaged log, checked by one CRC call per 8 KiB.

The sync word stands at even offsets, so what begins like a frame in 8 MiB is found by one comparison. If they all are
valid, the CRC of their group of sectors follows from where they end (crc_tables.py says why); the CRC of the group is
then compared with that prediction. The sectors of a group that differs are tried one by one, unless a sample says that
hardly one is whole. Of most that differ a single bit is wrong, and one_bit.py knows the only frame that it spoils. What
is left holds more damage, or a chance sync word, or has no header, and is left to rough.py frame by frame.
"""

from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ground.decode.frames import crc_tables, frame_check
from ground.decode.frames.as_predicted import groups_as_predicted, register_of, sectors_as_predicted
from ground.decode.frames.found import Batch, Slots, batch_of
from ground.decode.frames.one_bit import spoilt_frames
from ground.decode.frames.wire import (
    HEADER_KIND,
    KIND_COUNT,
    KIND_SIZES,
    NO_KIND,
    SECTOR_SIZE,
    SECTOR_WORDS,
    SIZE_MIN,
    SYNC_WORD,
    kind_of_pair,
)
from shared_protocol.frame import HEADER_SIZE

_FEW = 500  # items that are quicker to leave out one by one than by a mask
_KEYS_MAX = 2000  # boots and logs in one source; with more the tables grow past 160 MB and the careful road is taken
# An "entry" is kind * 1024 + the word at which the frame ends: kind and end in one number, in 16 bits for 30 kinds.
_STRIDE = 1024
_KIND_SHIFT = _STRIDE.bit_length() - 1
_TOO_LONG = SECTOR_WORDS + 1


_NOTHING = np.empty(0, dtype=np.int64)


class Attempt(NamedTuple):
    """What the fast road knows of one chunk of blocks.

    Attributes
    ----------
    at : numpy.ndarray of int64, shape (n,)
        Where something begins like a frame: offset in words from the chunk's beginning, rising. Headers of owned blocks
        are left out.
    kinds : numpy.ndarray of uint8, shape (n,)
        KIND_COUNT where the length is no legal one of the type.
    none : numpy.ndarray of int64
        Which of them are of no legal kind, would reach beyond their sector, or are spoilt.
    good : numpy.ndarray of bool, shape (blocks,)
        Blocks with a valid header, of which all frames but those are valid; intact text too.
    spoilt : numpy.ndarray of int64
        The word offsets, as in `at`, of frames with one wrong bit in otherwise good blocks.
    batch : Batch or None
        Where all blocks are good: their frames.
    """

    at: np.ndarray
    kinds: np.ndarray
    none: np.ndarray
    good: np.ndarray
    spoilt: np.ndarray = _NOTHING
    batch: Batch | None = None


def room_for(blocks):
    """Slots for the frames of all chunks."""
    return Slots(-(-blocks.count // blocks.chunk), min(blocks.count, blocks.chunk) * SECTOR_SIZE // SIZE_MIN)


class Predictor:
    """Makes the Attempt of each chunk of blocks; from several threads at once, if need be.

    Parameters
    ----------
    blocks : sectors.Blocks
    text : numpy.ndarray of int64
        Numbers of the intact text blocks.
    slots : found.Slots
    """

    def __init__(self, blocks, text, slots):
        self._blocks, self._text, self._slots = blocks, text, slots
        self._tables = None
        if 0 < len(blocks.keys.pairs) <= _KEYS_MAX:
            salts = blocks.keys.salts()
            self._tables, self._expected = _end_tables(tuple(salts.tolist())), frame_check.expected(salts)
        self._hurt = False  # whether the chunk before had so many hurt sectors that hardly a group can match

    def attempt(self, chunk):
        """The Attempt of the chunk with this number."""
        blocks, first = self._blocks, chunk * self._blocks.chunk
        last = min(first + blocks.chunk, blocks.count)
        at, inside, entry = _candidates(blocks, first, last)
        end = entry & (_STRIDE - 1)
        none = np.flatnonzero(end > SECTOR_WORDS)
        kinds = (entry >> _KIND_SHIFT).astype(np.uint8)
        owner = blocks.owner[first:last]
        usable = owner >= 0
        if last == blocks.count and blocks.size < blocks.count * SECTOR_SIZE:
            usable[-1] = False  # a cut sector is always looked at closely
        if self._tables is None or not usable.any():
            return Attempt(at, kinds, none, np.zeros(last - first, dtype=bool))
        registers = _predicted(*_parts(self._tables, owner, at, entry), at, inside, end, last - first)
        text = self._text[(self._text >= first) & (self._text < last)] - first
        data = blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
        for block in text:
            registers[block] = register_of(data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
        good, spoilt = self._as_predicted(data, registers, usable, (at, kinds, end), owner)
        if len(spoilt):
            none, spoilt = np.sort(np.append(none, spoilt)), at.take(spoilt)
        if not good.all():
            return Attempt(at, kinds, none, good, spoilt)
        is_frame = np.ones(len(at), dtype=bool)
        is_frame[none] = False
        if len(text):
            is_frame &= ~np.isin(at >> 8, text)
        words, kinds = only((at, kinds), is_frame)
        keys = keys_of(owner, words)
        words += first * SECTOR_WORDS
        found = self._slots.fill(chunk, (words, kinds, keys), blocks.data.view("<u2"))
        return Attempt(at, kinds, none, good, spoilt, batch_of(found))

    def _as_predicted(self, data, registers, usable, candidates, owner):
        """Which blocks are good, a mask, and which candidates in them are spoilt, int64."""
        good = np.zeros(len(usable), dtype=bool) if self._hurt else groups_as_predicted(data, registers, usable)
        if good.all():
            return good, _NOTHING
        differing = sectors_as_predicted(data, registers, usable, good)
        self._hurt = np.count_nonzero(good) < len(good) * 3 // 4
        spoilt = spoilt_frames(data, *differing, candidates, owner, self._expected)
        good[candidates[0].take(spoilt) >> 8] = True
        return good, spoilt


def keys_of(owner, words):
    """Key number of frames at some words of blocks with these owners; int32."""
    if (owner == owner[0]).all():
        return np.broadcast_to(owner[0], words.shape)
    return owner.take(words >> 8)


def only(columns, mask):
    """Copies of the items for which the mask is true."""
    if len(mask) - np.count_nonzero(mask) < _FEW:
        edges = [-1, *np.flatnonzero(~mask).tolist(), len(mask)]
        return [np.concatenate([column[before + 1 : at] for before, at in pairwise(edges)]) for column in columns]
    chosen = np.flatnonzero(mask)
    return [column.take(chosen) for column in columns]


def places_in(at, chosen):
    """Which of some rising word offsets lie in the blocks for which the mask `chosen` is true; int64."""
    blocks = np.flatnonzero(chosen)
    if len(blocks) > len(chosen) // 8:
        return np.flatnonzero(chosen.take(at >> 8))
    begins = np.searchsorted(at, blocks * SECTOR_WORDS)
    counts = np.searchsorted(at, (blocks + 1) * SECTOR_WORDS) - begins
    return np.repeat(begins - np.cumsum(counts) + counts, counts) + np.arange(counts.sum())


@lru_cache(maxsize=1)
def _entry_of_pair():
    """Entry of a frame that begins at word 0, by the word (length << 8 | type); no legal pair: too long to fit."""
    kinds = kind_of_pair()
    sizes = np.append(KIND_SIZES // 2, _TOO_LONG)
    kinds = np.where(kinds == NO_KIND, KIND_COUNT, kinds)
    return (kinds.astype(np.int16) * _STRIDE + sizes[kinds]).astype(np.int16)


@lru_cache(maxsize=4)
def _end_tables(salts):
    """What a valid frame adds to its sector's register; uint32, shape (keys, (kinds + 1) x 1024), by entry."""
    tables = np.zeros((len(salts), KIND_COUNT + 1, _STRIDE), dtype=np.uint32)
    starts = np.tile(np.array(salts, dtype=np.uint32), (KIND_COUNT, 1))
    starts[HEADER_KIND] = 0
    own = [crc_tables.valid_frame_register(size, start) for size, start in zip(KIND_SIZES, starts, strict=True)]
    by_rest = crc_tables.advanced_by_words(np.concatenate(own)).reshape(-1, KIND_COUNT, len(salts))
    tables[:, :KIND_COUNT, : SECTOR_WORDS + 1] = by_rest[::-1].transpose(2, 1, 0)  # by the word at which it ends
    return tables.reshape(len(salts), -1)


def _candidates(blocks, first, last):
    """Places of what begins like a frame: word offset, word in the sector, entry.

    Some are none (a sync word in a payload): their end, entry % 1024, is past the sector.
    """
    words = blocks.data.view("<u2")[first * SECTOR_WORDS : last * SECTOR_WORDS + 1]  # one more, where there is one
    hit = words[:-1] == SYNC_WORD
    headers = hit[::SECTOR_WORDS]
    headers &= blocks.owner[first : first + len(headers)] < 0
    at = np.flatnonzero(hit)
    inside = at.astype(np.uint8).astype(np.int16)  # a sector has 256 words: the number's low byte
    entry = _entry_of_pair().take(words[1:].take(at))
    entry += inside
    return at, inside, entry


def _parts(tables, owner, at, entry):
    """What each frame would add to the register of its block, and what each block's header adds; both uint32."""
    header = HEADER_KIND * _STRIDE + HEADER_SIZE // 2
    key = owner.max()
    if ((owner == key) | (owner < 0)).all():  # loose blocks may take any table, their group fails anyway
        return tables[key].take(entry), tables[key, header]
    owner = np.maximum(owner, 0)
    return tables[owner[at >> 8], entry], tables[owner, header]


def _predicted(parts, header, at, inside, end, count):
    """Register that each block leaves if its header and all its frames are valid; uint32, shape (count,)."""
    registers = np.empty(count, dtype=np.uint32)
    registers[:] = header
    begins = _first_of_each(at, inside, count)
    filled = np.full(count, HEADER_SIZE // 2, dtype=np.int16)  # up to which word there are frames
    if len(begins):
        sums = np.bitwise_xor.accumulate(parts)  # two of them differ by what lies between, as with any running sum
        lasts = np.append(begins[1:], len(at)) - 1
        own = sums.take(lasts)
        own[1:] ^= sums.take(lasts[:-1])
        ends = end.take(lasts)
        while ends.max() > SECTOR_WORDS:  # the last one of a block is none: the one before it counts
            lasts = np.where(ends > SECTOR_WORDS, lasts - 1, lasts)
            ends = np.where(lasts < begins, HEADER_SIZE // 2, end.take(lasts, mode="clip"))
        here = at.take(begins) >> 8
        registers[here] ^= own
        filled[here] = ends
    registers ^= crc_tables.fill_registers().take(filled)
    return registers


def _first_of_each(at, inside, count):
    """Which candidates are the first one of their block."""
    begins = np.flatnonzero(inside == HEADER_SIZE // 2)
    if len(begins) < count:  # a block without a frame there must not be taken for the end of the one before it
        others = np.ones(count, dtype=bool)
        others[at.take(begins) >> 8] = False
        blocks = np.flatnonzero(others)
        firsts = np.searchsorted(at, blocks * SECTOR_WORDS)
        some = np.flatnonzero(firsts < len(at))
        firsts, blocks = firsts.take(some), blocks.take(some)
        begins = np.sort(np.append(begins, firsts[at.take(firsts) >> 8 == blocks]), kind="stable")
    return begins

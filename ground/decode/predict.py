"""The fast road: every frame of an undamaged log, checked by one CRC call per 8 KiB.

The sync word stands at even offsets, so the frames of 2 MiB are found by one comparison. If they are all valid, the
CRC of their group of sectors follows from where they end (crc_tables.py says why); `zlib.crc32` over the group is
then compared with that prediction. A group that differs holds damage, or a chance sync word, or a sector without a
header, and is left to rough.py frame by frame: its sectors one by one would cost more. Groups of 8 KiB, because CRC-32
finds every change of up to 3 bits only in blocks of that order (Hamming distance 4 to 91 607 bits; from memory).
"""

from functools import lru_cache
from typing import NamedTuple
from zlib import crc32

import numpy as np

from ground.decode import crc_tables
from ground.decode.sectors import intact_text
from ground.decode.threads import each
from ground.decode.wire import (
    HEADER_KIND,
    KIND_COUNT,
    KIND_SIZES,
    NO_KIND,
    SECTOR_SIZE,
    SECTOR_WORDS,
    SYNC_WORD,
    kind_of_pair,
)

GROUP = 16  # blocks, 8 KiB
CHUNK = 256 * GROUP  # blocks handled at a time, 2 MiB: stays in the processor's cache
_PROBE = 8 * GROUP  # blocks
_KEYS_MAX = 2000  # boots and logs in one source; with more the tables grow past 50 MB and the careful road is taken
_STRIDE = 512  # an "entry" is kind * 512 + the word at which the frame ends: kind and end in one number
_TOO_LONG = SECTOR_WORDS + 1


class Found(NamedTuple):
    """Intact data frames, rising by offset; five arrays of one length."""

    starts: np.ndarray  # int64, offset of the frame
    kinds: np.ndarray  # uint8
    keys: np.ndarray  # int32
    seq: np.ndarray  # uint16
    t_ms: np.ndarray  # uint32


NOTHING = Found(
    np.empty(0, np.int64), np.empty(0, np.uint8), np.empty(0, np.int32), np.empty(0, np.uint16), np.empty(0, np.uint32)
)


def clean_frames(blocks):
    """Frames of all groups of sectors that match their prediction.

    Returns
    -------
    parts : list of Found
        One for each CHUNK blocks.
    settled : numpy.ndarray of bool, shape (blocks,)
        Blocks that are done with; the others still have to be looked at.
    """
    settled = np.zeros(blocks.count, dtype=bool)
    firsts = range(0, blocks.count, CHUNK)
    if len(blocks.keys.pairs) > _KEYS_MAX:
        return [NOTHING] * len(firsts), settled
    tables = _end_tables(tuple(blocks.keys.salts().tolist()))
    text = intact_text(blocks)
    hurt = [False]  # whether hardly a group of the chunk before matched: then a few are tried before all are

    def attempt(first, last):
        return _chunk(blocks, first, last, text[(text >= first) & (text < last)], tables)

    def part(first):
        last = min(first + CHUNK, blocks.count)
        owner = blocks.owner[first:last]
        if not (owner >= 0).any():
            return NOTHING
        if hurt[0] and last - first > _PROBE and not attempt(first, first + _PROBE)[2].any():
            return NOTHING
        words, kinds, settled[first:last] = attempt(first, last)
        hurt[0] = np.count_nonzero(settled[first:last]) < (last - first) // 8
        keys = owner.take(words >> 8) if owner.any() else np.zeros(len(words), dtype=np.int32)
        words += first * SECTOR_WORDS  # from here on places in the whole; what they point at is still in the cache
        return Found(words * 2, kinds, keys, *_stamps(blocks.data.view("<u2"), words))

    return each(part, firsts), settled


def _stamps(data, words):
    """Sequence numbers and times of frames at word offsets."""
    return data[words + 2], data[words + 3] | data[words + 4].astype(np.uint32) << np.uint32(16)


@lru_cache(maxsize=1)
def _entry_of_pair():
    """Entry of a frame that begins at word 0, by the word (length << 8 | type); no legal pair: too long to fit."""
    kinds = kind_of_pair()
    sizes = np.append(KIND_SIZES // 2, 0)[np.minimum(kinds, KIND_COUNT)]
    return np.where(kinds == NO_KIND, _TOO_LONG, kinds.astype(np.int16) * _STRIDE + sizes).astype(np.int16)


@lru_cache(maxsize=4)
def _end_tables(salts):
    """What a valid frame adds to its sector's register; uint32, shape (keys, kinds x 512), by entry."""
    tables = np.zeros((len(salts), KIND_COUNT, _STRIDE), dtype=np.uint32)
    operators = crc_tables.advance_words()[::-1]  # by end word: M of what is left of the sector
    for kind in range(KIND_COUNT):
        starts = np.zeros(len(salts), dtype=np.uint32) if kind == HEADER_KIND else np.array(salts, dtype=np.uint32)
        own = crc_tables.valid_frame_register(KIND_SIZES[kind], starts)
        pieces = [operators[:, byte, (own >> np.uint32(8 * byte)) & 0xFF] for byte in range(4)]
        tables[:, kind, : SECTOR_WORDS + 1] = (pieces[0] ^ pieces[1] ^ pieces[2] ^ pieces[3]).T
    return tables.reshape(len(salts), KIND_COUNT * _STRIDE)


def _candidates(words):
    """Places of what looks like frames, none running out of its sector: word offset, offset in the sector, entry."""
    at = np.flatnonzero(words[:-1] == SYNC_WORD)
    inside = (at & (SECTOR_WORDS - 1)).astype(np.int16)
    entry = _entry_of_pair().take(words[at + 1]) + inside
    keep = (entry & (_STRIDE - 1)) <= SECTOR_WORDS
    if not keep.all():
        at, inside, entry = at[keep], inside[keep], entry[keep]
    return at, inside, entry


def _chunk(blocks, first, last, text, tables):
    """Data frames of the settled blocks among first to last, as word offsets and kinds; which blocks those are."""
    data = blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
    at, inside, entry = _candidates(data.view("<u2"))
    owner = blocks.owner[first:last]
    count = last - first
    if owner[0] >= 0 and (owner == owner[0]).all():
        parts = tables[owner[0]].take(entry)
    else:  # several boots or logs side by side; loose blocks may take any table, their group fails anyway
        parts = tables[np.maximum(owner, 0)[at >> 8], entry]

    registers = np.zeros(count, dtype=np.uint32)
    begins = np.flatnonzero(inside == 0)
    if len(begins):
        head = at[begins] >> 8
        registers[head] = np.bitwise_xor.reduceat(parts[begins[0] :], begins - begins[0])
        ends = entry[np.append(begins[1:], len(entry)) - 1] & (_STRIDE - 1)
        registers[head] ^= crc_tables.fill_registers()[ends]
    for block in text - first:
        registers[block] = _register(data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
    whole = owner >= 0
    if last == blocks.count and blocks.size < blocks.count * SECTOR_SIZE:
        whole[-1] = False  # a cut sector is always looked at closely
    good = _groups_as_predicted(data, registers, whole)
    kind = (entry >> 9).astype(np.uint8)
    keep = kind != HEADER_KIND
    if len(text) or not good.all():
        is_text = np.zeros(count, dtype=bool)
        is_text[text - first] = True
        keep &= (good & ~is_text)[at >> 8]
    return at[keep], kind[keep], good


def _register(data):
    """F of some bytes: zlib's value with the register begun at 0, which is a start value of all ones."""
    return crc32(data, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES


def _groups_as_predicted(data, registers, usable):
    """Blocks whose group has the predicted CRC; bool, shape (blocks,)."""
    count = len(registers)
    missing = -count % GROUP  # zeros in front of a short last group change no register
    padded = np.concatenate(
        [registers[: count - count % GROUP], np.zeros(missing, np.uint32), registers[count - count % GROUP :]]
    )
    grouped = padded.reshape(-1, GROUP)
    operators = crc_tables.advance_sectors(GROUP)
    total = np.zeros(len(grouped), dtype=np.uint32)
    for place in range(GROUP):
        total ^= crc_tables.apply(operators[place], grouped[:, place])
    usable = np.concatenate([usable, np.ones(missing, dtype=bool)])  # behind: same group, order does not matter here
    whole = usable.reshape(-1, GROUP).all(axis=1)
    view = memoryview(data)
    size = GROUP * SECTOR_SIZE
    good = np.zeros(len(grouped), dtype=bool)
    for group in np.flatnonzero(whole).tolist():
        good[group] = _register(view[group * size : (group + 1) * size]) == total[group]
    return np.repeat(good, GROUP)[:count]

"""The fast road: every frame of an undamaged log, checked by one CRC call per 8 KiB.

The sync word stands at even offsets, so the frames of 2 MiB are found by one comparison. If they are all valid, the
CRC of their group of sectors follows from where they end (crc_tables.py says why); `zlib.crc32` over the group is
then compared with that prediction. A group that differs is damaged, or holds a chance sync word, or a block without a
header: it is left to rough.py. Groups of 8 KiB, because CRC-32 finds every change of up to 3 bits only in blocks of
that order (Hamming distance 4 to 91 607 bits; from memory).
"""

from functools import lru_cache
from zlib import crc32

import numpy as np

from ground.decode import crc_tables
from ground.decode.sectors import intact_text
from ground.decode.wire import (
    HEADER_KIND, KIND_COUNT, KIND_SIZES, SECTOR_SIZE, SECTOR_WORDS, SYNC_WORD, kind_of_pair,
)
from shared_protocol.crc import UNSALTED

GROUP = 16  # blocks, 8 KiB
_CHUNK = 256 * GROUP  # blocks handled at a time, 2 MiB: stays in the processor's cache
_ENDS = SECTOR_WORDS + 1
_SIZE_WORDS = np.full(256, _ENDS, dtype=np.int64)  # too long to fit, for what is no kind
_SIZE_WORDS[:KIND_COUNT] = KIND_SIZES // 2


def clean_frames(blocks):
    """Frames of all groups that match their prediction.

    Returns
    -------
    starts : numpy.ndarray of int64
        Offsets of intact data frames, rising.
    kinds : numpy.ndarray of uint8
        Their kinds.
    clean : numpy.ndarray of bool, shape (blocks,)
        Blocks that are settled; the others still have to be looked at.
    """
    clean = np.zeros(blocks.count, dtype=bool)
    starts, kinds = [], []
    tables = _end_tables(tuple(blocks.keys.salts().tolist()))
    text = intact_text(blocks)
    for first in range(0, blocks.count, _CHUNK):
        last = min(first + _CHUNK, blocks.count)
        if not (blocks.owner[first:last] >= 0).any():
            continue
        in_chunk = text[(text >= first) & (text < last)]
        words, kind, good = _chunk(blocks, first, last, in_chunk, tables)
        clean[first:last] = good
        starts.append(words * 2 + first * SECTOR_SIZE)
        kinds.append(kind)
    if not starts:
        return np.empty(0, np.int64), np.empty(0, np.uint8), clean
    return np.concatenate(starts), np.concatenate(kinds), clean


@lru_cache(maxsize=4)
def _end_tables(salts):
    """What a valid frame adds to its sector's register, by key, kind and the word at which it ends.

    uint32, shape (keys, kinds x 257) after raveling the last two.
    """
    tables = np.empty((len(salts), KIND_COUNT, _ENDS), dtype=np.uint32)
    operators = crc_tables.advance_words()[::-1]  # by end word: M of what is left of the sector
    for key, salt in enumerate(salts):
        for kind in range(KIND_COUNT):
            own = crc_tables.valid_frame_register(KIND_SIZES[kind], UNSALTED if kind == HEADER_KIND else int(salt))
            pieces = [operators[:, byte, (int(own) >> 8 * byte) & 0xFF] for byte in range(4)]
            tables[key, kind] = pieces[0] ^ pieces[1] ^ pieces[2] ^ pieces[3]
    return tables.reshape(len(salts), KIND_COUNT * _ENDS)


def _candidates(words):
    """Word offsets and kinds of what looks like frames, none running out of its sector."""
    at = np.flatnonzero(words[:-1] == SYNC_WORD)
    kind = kind_of_pair()[words[at + 1]]
    end = (at & (SECTOR_WORDS - 1)) + _SIZE_WORDS[kind]
    keep = end <= SECTOR_WORDS
    if not keep.all():
        at, kind, end = at[keep], kind[keep], end[keep]
    return at, kind, end


def _chunk(blocks, first, last, text, tables):
    """Candidates of blocks first to last that are settled, and which blocks are."""
    data = blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
    at, kind, end = _candidates(data.view("<u2"))
    owner = blocks.owner[first:last]
    count = last - first
    entry = kind.astype(np.int64) * _ENDS + end
    if owner[0] >= 0 and (owner == owner[0]).all():
        parts = tables[owner[0]][entry]
    else:  # several boots or logs side by side; loose blocks may take any table, their group fails anyway
        parts = tables[np.maximum(owner, 0)[at >> 8], entry]

    registers = np.zeros(count, dtype=np.uint32)
    begins = np.flatnonzero((at & (SECTOR_WORDS - 1)) == 0)
    if len(begins):
        head = at[begins] >> 8
        registers[head] = np.bitwise_xor.reduceat(parts[begins[0] :], begins - begins[0])
        ends = end[np.append(begins[1:], len(end)) - 1]
        registers[head] ^= crc_tables.fill_registers()[ends]
    for block in text - first:
        registers[block] = _register(data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
    settled = owner >= 0
    if last == blocks.count and blocks.size < blocks.count * SECTOR_SIZE:
        settled[-1] = False  # a cut sector is always looked at closely
    good = _groups_as_predicted(data, registers, settled)
    is_text = np.zeros(count, dtype=bool)
    is_text[text - first] = True
    keep = kind != HEADER_KIND
    if is_text.any() or not good.all():
        keep &= (good & ~is_text)[at >> 8]
    return at[keep], kind[keep], good


def _register(sector):
    """F of a whole sector, from its bytes."""
    return np.uint32(crc32(sector, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES)


def _groups_as_predicted(data, registers, settled):
    """Blocks whose group has the predicted CRC; bool, shape (blocks,)."""
    count = len(registers)
    missing = -count % GROUP  # zeros in front of a short last group change no register
    padded = np.concatenate([registers[: count - count % GROUP], np.zeros(missing, np.uint32), registers[count - count % GROUP :]])
    grouped = padded.reshape(-1, GROUP)
    operators = crc_tables.advance_sectors(GROUP)
    total = np.zeros(len(grouped), dtype=np.uint32)
    for place in range(GROUP):
        total ^= crc_tables.apply(operators[place], grouped[:, place])
    settled = np.concatenate([settled, np.ones(missing, dtype=bool)])  # behind: same group, order does not matter here
    whole = settled.reshape(-1, GROUP).all(axis=1)
    view = memoryview(data)
    size = GROUP * SECTOR_SIZE
    good = np.zeros(len(grouped), dtype=bool)
    # F is what zlib gives when the register starts from 0, that is, with a start value of all ones
    for group in np.flatnonzero(whole):
        value = crc32(view[group * size : (group + 1) * size], crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES
        good[group] = value == total[group]
    return np.repeat(good, GROUP)[:count]

"""What was lost in the sectors that were not clean: an account of the bytes between the intact frames.

In an owned sector every byte belongs to the header, to a frame or to the FF fill. Whatever else lies there, a *gap*,
is damage. A gap counts as as many bad frames as it holds beginnings of frames (sync word, legal type and length), but
at least as one; a few spoilt bytes in the fill behind the last frame count as a bad sector but as no frame.
"""

from dataclasses import dataclass
from zlib import crc32

import numpy as np

from ground.decode.sectors import intact_text
from ground.decode.wire import KIND_SIZES, NO_KIND, SECTOR_SIZE, SIZE_MIN, kind_of_pair
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, FILL, HEADER_SIZE, OVERHEAD, SYNC_BYTES

_FRAME, _HEADER, _END = 0, 1, 2


@dataclass
class Damage:
    """Damage of one piece of a source.

    Attributes
    ----------
    bad_block : numpy.ndarray of bool, shape (blocks,)
        Blocks with damage in them.
    frames_bad : numpy.ndarray of int64, shape (blocks,)
        Bad frames by the block in which their gap begins.
    unknown : dict of (int, int, int) to int
        Intact frames of undeclared (type, length), by key number, type and length.
    """

    bad_block: np.ndarray
    frames_bad: np.ndarray
    unknown: dict


def account(blocks, clean, rough):
    """The damage of `blocks`, given which were clean and what rough.py found in the others."""
    damage = Damage(np.zeros(blocks.count, bool), np.zeros(blocks.count, np.int64), {})
    text = blocks.is_text()
    good_text = np.zeros(blocks.count, dtype=bool)
    good_text[intact_text(blocks)] = True
    damage.bad_block[text & ~good_text] = True
    looked_at = ~clean & (blocks.owner >= 0) & ~text
    salvaged = np.zeros(blocks.count, dtype=bool)
    salvaged[rough.starts // SECTOR_SIZE] = True
    salvaged &= blocks.owner < 0
    damage.bad_block[salvaged] = True
    gaps = _gaps(blocks, np.flatnonzero(looked_at | salvaged), rough)
    _judge(blocks, gaps, rough, damage)
    return damage


def _gaps(blocks, numbers, rough):
    """`(begin, end, at the sector's end)` of each stretch that is neither header, frame nor sector end."""
    in_looked = np.isin(rough.starts // SECTOR_SIZE, numbers)
    frame_starts = rough.starts[in_looked]
    ends = np.minimum((numbers + 1) * SECTOR_SIZE, blocks.size)
    begin = np.concatenate([frame_starts, numbers * SECTOR_SIZE, ends])
    end = np.concatenate([frame_starts + KIND_SIZES[rough.kinds[in_looked]], numbers * SECTOR_SIZE + HEADER_SIZE, ends])
    what = np.repeat([_FRAME, _HEADER, _END], [len(frame_starts), len(numbers), len(numbers)])
    order = np.lexsort((-what, begin))  # at one offset: the end of a sector before the next one's header
    begin, end, what = begin[order], end[order], what[order]
    reached = np.maximum.accumulate(end)
    is_gap = (begin[1:] > reached[:-1]) & (what[:-1] != _END)
    return reached[:-1][is_gap], begin[1:][is_gap], what[1:][is_gap] == _END


def _judge(blocks, gaps, rough, damage):
    begins, ends, tails = gaps
    inside = np.searchsorted(rough.failed, ends) - np.searchsorted(rough.failed, begins)
    cost = np.maximum(inside, 1)
    bad = np.ones(len(begins), dtype=bool)
    data = blocks.data
    words = data[begins] | data[np.minimum(begins + 1, len(data) - 1)].astype(np.uint16) << 8
    maybe_unknown = words == np.uint16(int.from_bytes(SYNC_BYTES, "little"))
    for n in np.flatnonzero((tails & (inside == 0)) | maybe_unknown).tolist():
        begin, end = int(begins[n]), int(ends[n])
        rest = _skip_unknown(blocks, begin, end, damage.unknown)
        stray = data[rest:end]
        stray = int((stray != FILL).sum()) if tails[n] else len(stray)
        if rest > begin:
            cost[n] = np.count_nonzero((rough.failed >= rest) & (rough.failed < end)) or 1
        if stray == 0:
            cost[n], bad[n] = 0, False
        elif tails[n] and inside[n] == 0 and stray < SIZE_MIN - CRC_SIZE:
            cost[n] = 0  # a few spoilt bytes of fill
    block = begins // SECTOR_SIZE
    damage.bad_block[block[bad]] = True
    np.add.at(damage.frames_bad, block, cost)


def _skip_unknown(blocks, begin, end, unknown):
    """Pass over intact frames of undeclared kind that stand end to end from `begin`; counts them."""
    key = int(blocks.owner[begin // SECTOR_SIZE])
    if key < 0:
        return begin
    salt = frame_salt(*blocks.keys.pairs[key])
    while end - begin >= OVERHEAD:
        head = bytes(blocks.data[begin : begin + 4])
        size = OVERHEAD + head[3]
        if head[:2] != SYNC_BYTES or begin + size > end or kind_of_pair()[head[2] | head[3] << 8] != NO_KIND:
            return begin
        frame = bytes(blocks.data[begin : begin + size])
        if crc32(frame[:-CRC_SIZE], salt) != int.from_bytes(frame[-CRC_SIZE:], "little"):
            return begin
        entry = (key, head[2], head[3])
        unknown[entry] = unknown.get(entry, 0) + 1
        begin += size
    return begin

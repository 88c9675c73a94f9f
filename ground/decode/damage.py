"""What was lost in the sectors that were not clean: an account of the bytes between the intact frames.

In an owned sector every byte belongs to the header, to a frame or to the FF fill. Whatever else lies there, a *gap*,
is damage. A gap counts as as many bad frames as it holds beginnings of frames (sync word, legal type and length), but
at least as one; a few spoilt bytes in the fill behind the last frame count as a bad sector but as no frame.
"""

from dataclasses import dataclass
from zlib import crc32

import numpy as np

from ground.decode.sectors import intact_text
from ground.decode.wire import KIND_SIZES, NO_KIND, SECTOR_SIZE, SIZE_MIN, SYNC_WORD, kind_of_pair
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, FILL, HEADER_SIZE, OVERHEAD, SYNC_BYTES

_FRAME, _HEADER, _END = 0, 1, 2
_CHUNK = 4096  # sectors looked at together, 2 MiB


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
    damage.bad_block[salvaged] = blocks.aligned
    gaps = _gaps(blocks, np.flatnonzero(looked_at | salvaged), rough)
    _judge(blocks, gaps, rough, damage)
    return damage


def _gaps(blocks, numbers, rough):
    """`(begin, end, at the sector's end)` of each stretch that is neither header, frame nor sector end."""
    looked_at = np.zeros(blocks.count, dtype=bool)
    looked_at[numbers] = True
    in_looked = looked_at[rough.starts // SECTOR_SIZE]
    frame_starts = rough.starts[in_looked]
    ends = np.minimum((numbers + 1) * SECTOR_SIZE, blocks.size)
    begin = np.concatenate([frame_starts, numbers * SECTOR_SIZE, ends])
    end = np.concatenate([frame_starts + KIND_SIZES[rough.kinds[in_looked]], numbers * SECTOR_SIZE + HEADER_SIZE, ends])
    what = np.repeat([_FRAME, _HEADER, _END], [len(frame_starts), len(numbers), len(numbers)])
    # at one offset a sector's end comes before the next one's header; three rising runs, which a stable sort merges
    order = np.argsort(begin * 4 + (_END - what), kind="stable")
    begin, end, what = begin[order], end[order], what[order]
    reached = np.maximum.accumulate(end)
    is_gap = (begin[1:] > reached[:-1]) & (what[:-1] != _END)
    return reached[:-1][is_gap], begin[1:][is_gap], what[1:][is_gap] == _END


def _judge(blocks, gaps, rough, damage):
    begins, ends, tails = gaps
    inside = np.searchsorted(rough.failed, ends) - np.searchsorted(rough.failed, begins)
    cost = np.maximum(inside, 1)
    bad = np.ones(len(begins), dtype=bool)
    if not blocks.aligned:  # text between frames, say: only what looks like a frame and is none counts
        cost, bad = inside.copy(), inside > 0
    plain_fill = _is_plain_fill(blocks.data, begins, tails & (inside == 0))
    cost[plain_fill], bad[plain_fill] = 0, False
    closer = (tails & (inside == 0) & ~plain_fill) | _may_be_unknown(blocks.data, begins)
    for n in np.flatnonzero(closer).tolist():
        begin, end = int(begins[n]), int(ends[n])
        rest = _skip_unknown(blocks, begin, end, damage.unknown)
        if rest > begin:
            cost[n] = np.count_nonzero((rough.failed >= rest) & (rough.failed < end)) or 1
        # behind the last frame there is fill, and a few spoilt bytes of it are no frame
        stray = np.count_nonzero(blocks.data[rest:end] != FILL) if tails[n] else end - rest
        if stray == 0:
            cost[n], bad[n] = 0, False
        elif tails[n] and inside[n] == 0 and stray < SIZE_MIN - CRC_SIZE:
            cost[n] = 0
    block = begins // SECTOR_SIZE
    damage.bad_block[block[bad]] = True
    np.add.at(damage.frames_bad, block, cost)


def _is_plain_fill(data, begins, asked):
    """Of the gaps asked for, which reach to their sector's end, those that are nothing but FF; bool, shape (gaps,)."""
    plain = np.zeros(len(begins), dtype=bool)
    words = data.reshape(-1, SECTOR_SIZE).view("<u8")
    columns = np.arange(SECTOR_SIZE // 8)
    places = np.flatnonzero(asked)
    for first in range(0, len(places), _CHUNK):
        chosen = places[first : first + _CHUNK]
        begin = begins[chosen]
        rows = words[begin // SECTOR_SIZE]
        word, byte = begin % SECTOR_SIZE // 8, begin % 8
        before = (np.uint64(1) << (8 * byte).astype(np.uint64)) - np.uint64(1)  # bytes of the first word before the gap
        rows[np.arange(len(rows)), word] |= before
        plain[chosen] = ~((rows != ~np.uint64(0)) & (columns >= word[:, None])).any(axis=1)
    return plain


def _may_be_unknown(data, begins):
    """Gaps that begin with a sync word and a type and length that are not declared together."""
    inside = np.minimum(begins, len(data) - 4)
    head = [data[inside + n].astype(np.uint16) for n in range(4)]
    return (head[0] | head[1] << 8 == SYNC_WORD) & (kind_of_pair()[head[2] | head[3] << 8] == NO_KIND)


def _skip_unknown(blocks, begin, end, unknown):
    """Pass over intact frames of undeclared kind that stand end to end from `begin`; counts them."""
    key = int(blocks.owner[begin // SECTOR_SIZE])
    if key < 0 or bytes(blocks.data[begin : begin + 2]) != SYNC_BYTES:
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

"""What was lost in the sectors that were not clean: an account of the bytes between the intact frames.

In an owned sector every byte belongs to the header, to a frame or to the FF fill. Whatever else lies there, a *gap*,
is damage. A gap counts as as many bad frames as it holds beginnings of frames (sync word, legal type and length), but
at least as one; a few spoilt bytes in the fill behind the last frame count as a bad sector but as no frame.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ground.decode.frames.close_look import Frames, outer
from ground.decode.frames.found import in_place
from ground.decode.frames.threads import each
from ground.decode.frames.unknown_frames import pass_over
from ground.decode.frames.wire import HEADER_KIND, KIND_SIZES, SECTOR_SHIFT, SECTOR_SIZE, SIZE_MIN, rows_at
from shared_protocol.frame import CRC_SIZE, FILL, HEADER_SIZE

_WORDS_SHIFT = SECTOR_SHIFT - 1
_NARROW = 64  # bytes; a full sector's fill is shorter, because a frame would have found room


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


@dataclass
class _Gaps:
    """Stretches that are neither header, frame nor sector end; `tails` reach to their sector's end or to a header."""

    begins: np.ndarray
    ends: np.ndarray
    tails: np.ndarray


def account(blocks, settled, intact_text, spoilt, rough):
    """The damage of `blocks`, given what was settled and what rough.py found in the others, chunk by chunk.

    `spoilt` has for each chunk the word offsets in it of frames that are all that is damaged in their settled block.
    """
    damage = Damage(np.zeros(blocks.count, bool), np.zeros(blocks.count, np.int64), {})
    for n, words in enumerate(spoilt):
        hurt = (words >> _WORDS_SHIFT) + n * blocks.chunk
        damage.bad_block[hurt] = True
        damage.frames_bad[hurt] = 1
    if settled.all():
        return damage
    text = blocks.is_text()
    good_text = np.zeros(blocks.count, dtype=bool)
    good_text[intact_text] = True
    damage.bad_block[text & ~good_text] = True
    looked_at = ~settled & (blocks.owner >= 0) & ~text
    for n, part in enumerate(rough):
        if (blocks.owner[n * blocks.chunk : (n + 1) * blocks.chunk] < 0).any():
            salvaged = part.frames.starts >> SECTOR_SHIFT
            salvaged = salvaged[blocks.owner[salvaged] < 0]
            looked_at[salvaged] = True
            damage.bad_block[salvaged] = blocks.aligned

    reached, before = 0, []  # where the last frame of the chunks before ends: it may run into this one
    for part in rough:
        before.append(reached)
        if len(part.frames.starts) and looked_at[part.frames.starts[-1] >> SECTOR_SHIFT]:
            reached = int(part.frames.starts[-1] + KIND_SIZES[part.frames.kinds[-1]])

    def judge(n):
        first = n * blocks.chunk
        numbers = np.flatnonzero(looked_at[first : first + blocks.chunk]) + first
        if len(numbers) == 0:
            return {}
        gaps = _gaps(blocks, numbers, looked_at, _with_headers(rough[n]), before[n])
        return _judge(blocks, gaps, rough[n].failed, damage, first)

    for unknown in each(judge, range(len(rough)), blocks.size):
        for entry, count in unknown.items():
            damage.unknown[entry] = damage.unknown.get(entry, 0) + count
    return damage


def _with_headers(part):
    """The frames of a Rough and its headers, which are no gap either."""
    both = Frames(*in_place(part.frames, part.headers))
    outermost = outer(both)
    return both if outermost is None else both.only(np.flatnonzero(outermost))


def _gaps(blocks, numbers, looked_at, frames, reached):
    """Gaps in the blocks `numbers`; frames before them reach up to `reached`."""
    starts, kinds, _places = frames
    inside = looked_at[starts >> SECTOR_SHIFT]
    if not inside.all():
        starts, kinds = starts[inside], kinds[inside]
    ends = np.append(reached, starts + KIND_SIZES.take(kinds))  # of the frame before each, and of the last one
    begins = (starts & -SECTOR_SIZE) + HEADER_SIZE
    np.maximum(begins, ends[:-1], out=begins)
    inner = np.flatnonzero(starts > begins)
    last = np.searchsorted(starts, (numbers + 1) * SECTOR_SIZE)
    tail_begins = np.maximum(ends[last], numbers * SECTOR_SIZE + HEADER_SIZE)
    tail_ends = np.minimum((numbers + 1) * SECTOR_SIZE, blocks.size)
    tails = np.flatnonzero(tail_ends > tail_begins)
    begins = np.concatenate([begins.take(inner), tail_begins.take(tails)])
    order = np.argsort(begins, kind="stable")
    ends = np.concatenate([starts.take(inner), tail_ends.take(tails)]).take(order)
    fill = np.append(kinds.take(inner) == HEADER_KIND, np.ones(len(tails), dtype=bool))
    return _Gaps(begins.take(order), ends, fill.take(order))


def _judge(blocks, gaps, failed, damage, first):
    """Note the damage of some gaps, all in the chunk from `first` on; gives back the unknown frames in them."""
    begins, ends, tails = gaps.begins, gaps.ends, gaps.tails
    gap, failed = _those_inside(begins, ends, failed)
    inside = np.bincount(gap, minlength=len(begins))
    if blocks.aligned:
        cost, bad = np.maximum(inside, 1), np.ones(len(begins), dtype=bool)
    else:  # text between frames, say: only what looks like a frame and is none counts
        cost, bad = inside.copy(), inside > 0
    other = np.ones(len(begins), dtype=bool)  # gaps that do not begin with what looks like a known frame
    other[gap[failed == begins.take(gap)]] = False
    rest, unknown = pass_over(blocks, begins, ends, np.flatnonzero(other))
    passed = np.flatnonzero(rest > begins)
    left = np.searchsorted(failed, ends[passed]) - np.searchsorted(failed, rest[passed])
    cost[passed] = np.maximum(left, 1)
    nothing_left = ~tails & (rest == ends)
    # behind the last frame there is fill, and a few spoilt bytes of it are no frame
    closer = np.flatnonzero(tails & ((inside == 0) | (rest > begins)))
    stray = _strays(blocks.data, rest[closer], ends[closer])
    nothing_left[closer] = stray == 0
    cost[closer[(inside[closer] == 0) & (stray < SIZE_MIN - CRC_SIZE)]] = 0
    cost[nothing_left], bad[nothing_left] = 0, False
    block = (begins >> SECTOR_SHIFT) - first
    damage.bad_block[block[bad] + first] = True
    counts = np.bincount(block, weights=cost)
    damage.frames_bad[first : first + len(counts)] += counts.astype(np.int64)
    return unknown


def _those_inside(begins, ends, failed):
    """The rising gap in which each of the rising offsets `failed` lies, and these offsets; without those in none."""
    if len(begins) == 0:
        return np.zeros(0, dtype=np.int64), failed[:0]
    gap = np.searchsorted(begins, failed, side="right") - 1
    inside = np.flatnonzero((gap >= 0) & (failed < ends.take(gap, mode="clip")))
    return gap.take(inside), failed.take(inside)


def _strays(data, begins, ends):
    """How many bytes other than FF lie in gaps that reach to the end of their sector, or of the data."""
    counts = np.zeros(len(begins), dtype=np.int64)
    block_ends = (begins & -SECTOR_SIZE) + SECTOR_SIZE
    narrow = begins >= block_ends - _NARROW
    for chosen, width in ((np.flatnonzero(narrow), _NARROW), (np.flatnonzero(~narrow), SECTOR_SIZE)):
        if len(chosen):
            first = begins[chosen] - (block_ends[chosen] - width)
            rows = rows_at(data, block_ends[chosen] - width, width).view("<u8") | _bytes_before(width)[first]
            plain = rows[:, 0].copy()
            for word in range(1, width // 8):
                plain &= rows[:, word]
            some = np.flatnonzero(plain != ~np.uint64(0))
            stray = rows[some].view(np.uint8) != FILL
            stray &= np.arange(width) < (ends - block_ends)[chosen[some], None] + width
            counts[chosen[some]] = np.count_nonzero(stray, axis=1)
    return counts


@lru_cache(maxsize=2)
def _bytes_before(width):
    """FF in the first n of `width` bytes, for n = 0 to width; uint64, shape (width + 1, width / 8)."""
    return np.where(np.arange(width) < np.arange(width + 1)[:, None], np.uint8(FILL), np.uint8(0)).view("<u8")

"""What looks like a frame in the blocks that the fast road left over: at even offsets from its own search, and at odd.

Places are offsets in the whole of `blocks.data`.
"""

from threading import local

import numpy as np

from ground.decode.frames.found import in_place
from ground.decode.frames.wire import (
    KIND_COUNT,
    KIND_SIZES,
    NO_KIND,
    SECTOR_SHIFT,
    SECTOR_SIZE,
    SECTOR_WORDS,
    SYNC_WORD,
    kind_of_pair,
)

_TOO_LONG = 2 * SECTOR_SIZE
_SIZES = np.full(NO_KIND + 1, _TOO_LONG, dtype=np.int16)  # by kind, also of what is none
_SIZES[:KIND_COUNT] = KIND_SIZES
_own = local()


def at_even_offsets(blocks, first, attempt, places):
    """Which candidates of an Attempt, of those at some places, look like a frame with room for it; int64.

    `first` is the number of the attempt's first block.
    """
    is_none = np.zeros(len(attempt.at), dtype=bool)
    is_none[attempt.none] = True
    doubtful = np.flatnonzero(is_none.take(places))
    if first + len(attempt.good) == blocks.count and blocks.size < blocks.count * SECTOR_SIZE:
        doubtful = np.arange(len(places))  # some may reach beyond the end of the bytes
    if len(doubtful) == 0:
        return places
    which = places.take(doubtful)
    fits = _fits(blocks, (attempt.at.take(which) + first * SECTOR_WORDS) * 2, attempt.kinds.take(which))
    left = np.ones(len(places), dtype=bool)
    left[doubtful[~fits]] = False
    return places[left]


def elsewhere(blocks, first, good, hurt_headers):
    """Offsets and kinds (int64, uint8) of what looks like a frame at odd offsets, or in place of a header that is hurt.

    In the blocks from `first` on that are not `good`.
    """
    odd = _at_odd_offsets(blocks, first, np.flatnonzero(~good) + first)
    words = blocks.data.view("<u2")
    at = hurt_headers[(hurt_headers >= first) & (hurt_headers < first + len(good))] * SECTOR_WORDS
    at = at[words[at] == SYNC_WORD]
    begins = 2 * at, kind_of_pair().take(words[at + 1])
    starts, kinds = in_place(odd, begins)
    fits = np.flatnonzero(_fits(blocks, starts, kinds))
    return starts.take(fits), kinds.take(fits)


def _at_odd_offsets(blocks, first, numbers):
    """Offsets, and kinds by the word behind, in blocks of these rising numbers."""
    follows = int(numbers[-1]) + 1
    if follows < blocks.count:
        numbers = np.append(numbers, follows)  # a frame may run into it
    data = _near_copy(blocks, numbers)
    between = np.ndarray((len(data) // 2 - 1,), dtype="<u2", buffer=data, offset=1)
    at = 2 * np.flatnonzero(between == SYNC_WORD) + 1
    at = at[at + 3 < len(data)]
    kinds = kind_of_pair().take(data[at + 2] | data[at + 3].astype(np.uint16) << 8)
    place = at >> SECTOR_SHIFT
    if follows < blocks.count:
        own = np.searchsorted(place, len(numbers) - 1)
        at, kinds, place = at[:own], kinds[:own], place[:own]
    return at + ((numbers - np.arange(len(numbers))) * SECTOR_SIZE).take(place), kinds


def _near_copy(blocks, numbers):
    """The bytes of the blocks with these rising numbers, one behind the other; a copy only if some are left out.

    The copy lives in this thread's scratch memory, until the next call.
    """
    first, last = int(numbers[0]), int(numbers[-1]) + 1
    if last - first == len(numbers):
        return blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
    rows = getattr(_own, "rows", None)
    if rows is None or len(rows) < len(numbers):
        rows = _own.rows = np.empty((len(numbers), SECTOR_SIZE), dtype=np.uint8)
    rows = rows[: len(numbers)]
    np.take(blocks.data.reshape(-1, SECTOR_SIZE)[first:last], numbers - first, axis=0, out=rows, mode="clip")
    return rows.ravel()


def _fits(blocks, starts, kinds):
    """Whether the kind is legal and leaves room for a frame; bool, shape (n,).

    Lost or inserted bytes shift what comes behind them, so a frame may run into the next block if that follows in the
    source too and does not begin with a header of its own.
    """
    inside = starts & (SECTOR_SIZE - 1)
    sizes = _SIZES.take(kinds)
    fits = inside + sizes <= SECTOR_SIZE
    over = np.flatnonzero(~fits & (kinds < KIND_COUNT))
    here = starts[over] >> SECTOR_SHIFT
    there = np.minimum(here + 1, blocks.count - 1)
    fits[over] = (there > here) & blocks.joined[here] & (blocks.owner[there] < 0)
    if blocks.size < blocks.count * SECTOR_SIZE:
        fits &= starts + sizes <= blocks.size
    return fits

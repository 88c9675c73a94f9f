"""Intact data frames as columns, and what can be said of a batch of them while it is still in the cache."""

from typing import NamedTuple

import numpy as np

from ground.decode.runs import Run, run_of
from ground.decode.wire import KIND_COUNT, SECTOR_SHIFT


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


class Batch(NamedTuple):
    """The frames of some blocks that stand together.

    Attributes
    ----------
    found : Found
    starts : list of numpy.ndarray of int64
        Offsets of the frames of each kind.
    key : int or None
        The key number that all of them have; None if several, or no frame at all.
    run : Run or None
        None without frames.
    """

    found: Found
    starts: list
    key: int | None
    run: Run | None


def batch_of(found):
    """Look the frames over."""
    starts = [found.starts.take(np.flatnonzero(found.kinds == kind)) for kind in range(KIND_COUNT)]
    if len(found.starts) == 0:
        return Batch(found, starts, None, None)
    first = int(found.keys[0])
    is_one = found.keys.strides == (0,) or bool((found.keys == first).all())
    return Batch(found, starts, first if is_one else None, run_of(found.seq, found.t_ms))


def end_to_end(founds):
    """The frames of several batches in one piece."""
    founds = [found for found in founds if len(found.starts)]
    if len(founds) == 1:
        return founds[0]
    return Found(*(np.concatenate(column) for column in zip(NOTHING, *founds, strict=True)))


def merged(these, those):
    """Two sets of frames as one, rising by offset; no block may hold frames of both."""
    if len(those.starts) == 0:
        return these
    if len(these.starts) == 0:
        return those
    block = those.starts >> SECTOR_SHIFT
    begins = np.append(0, np.flatnonzero(block[1:] != block[:-1]) + 1)  # where another place has to be looked up
    place = np.searchsorted(these.starts, those.starts[begins]).repeat(np.diff(begins, append=len(block)))
    place += np.arange(len(block))
    others = np.ones(len(these.starts) + len(block), dtype=bool)
    others[place] = False
    other, columns = np.flatnonzero(others), []
    for this, that in zip(these, those, strict=True):
        column = np.empty(len(others), dtype=this.dtype)
        column[place], column[other] = that, this
        columns.append(column)
    return Found(*columns)

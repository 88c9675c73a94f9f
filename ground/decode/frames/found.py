"""Intact data frames as columns, and what can be said of a batch of them while it is still in the cache."""

from typing import NamedTuple

import numpy as np

from ground.decode.frames.runs import Run, run_of
from ground.decode.frames.wire import KIND_COUNT, row_view

_SEQ, _T_LOW, _T_HIGH = 2, 3, 4  # words of a frame
_STAMP = np.dtype([("seq", "<u2"), ("t_ms", "<u4")])


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


class Slots:
    """Columns for the frames of each chunk, in one large piece of memory each.

    The system maps large pieces by the 2 MiB page, and once; columns made one by one cost a page fault each 4 KiB, for
    which threads wait in line.
    """

    def __init__(self, chunks, most):
        dtypes = np.int64, np.uint8, np.uint16, np.uint32
        self._columns = [np.empty((chunks, most), dtype) for dtype in dtypes]

    def fill(self, chunk, frames, all_words):
        """Frames at even offsets, their offsets in words, kinds and keys given; with numbers and times, as Found."""
        words, kinds, keys = frames
        columns = [column[chunk, : len(words)] for column in self._columns]
        if len(columns[0]) < len(words):  # frames that overlap, which nobody writes who means well
            columns = [np.empty(len(words), column.dtype) for column in columns]
        starts, own_kinds, seq, t_ms = columns
        np.multiply(words, 2, out=starts)
        own_kinds[:] = kinds
        all_words[_SEQ:].take(words, out=seq, mode="clip")
        t_ms[:] = all_words[_T_HIGH:].take(words)
        t_ms <<= np.uint32(16)
        t_ms |= all_words[_T_LOW:].take(words)
        return Found(starts, own_kinds, keys, seq, t_ms)


def stamped(data, starts, kinds, keys):
    """Frames at any offsets, with their numbers and times, as Found."""
    stamps = row_view(data, _STAMP.itemsize)[starts + 2 * _SEQ].view(_STAMP)
    return Found(starts, kinds, keys, stamps["seq"].copy(), stamps["t_ms"].copy())


def batch_of(found):
    """Look the frames over."""
    there = found.kinds.tobytes()  # to look for a kind in bytes is a search at the speed of memory
    starts = [
        found.starts.take(np.flatnonzero(found.kinds == kind)) if kind in there else NOTHING.starts
        for kind in range(KIND_COUNT)
    ]
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


def in_place(these, those):
    """Columns of two sets of frames as one, rising by the first column, which is their offset."""
    if len(these[0]) == 0 or len(those[0]) == 0:
        return list(these if len(these[0]) else those)
    both = [np.concatenate(column) for column in zip(these, those, strict=True)]
    order = np.argsort(both[0], kind="stable")  # two rising runs: merged in one pass
    return [column.take(order) for column in both]

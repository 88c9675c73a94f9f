"""A file seen through windows: which stretches of it hold data, and those a piece at a time.

Holes of a sparse file are never read. Nothing is mapped for longer than it is looked at, so that an image of 32 GB
takes as much memory, and as much address space, as one of 32 MB.
"""

import mmap
import os
from contextlib import contextmanager

import numpy as np

from ground.decode.frames.wire import SECTOR_SIZE

WINDOW = 64 << 20  # bytes looked at together
_READ_MAX = 1 << 18


def data_extents(path, size):
    """Stretches of the file that hold data, as (first, last + 1) on block boundaries; holes are never read."""
    if not hasattr(os, "SEEK_DATA"):
        return [(0, size)] if size else []
    extents, at = [], 0
    with open(path, "rb") as handle:
        while at < size:
            try:
                first = os.lseek(handle.fileno(), at, os.SEEK_DATA)
                last = os.lseek(handle.fileno(), first, os.SEEK_HOLE)
            except OSError:  # ENXIO: nothing but a hole up to the end; others: a file system that cannot tell
                if not extents and at == 0 and _any_byte(handle, size):
                    return [(0, size)]
                break
            first = first // SECTOR_SIZE * SECTOR_SIZE
            last = min(-(-last // SECTOR_SIZE) * SECTOR_SIZE, size)
            extents.append((first, last))
            at = last
    return extents


def _any_byte(handle, size):
    handle.seek(0)
    return any(handle.read(min(size, 4096)))


@contextmanager
def mapped(handle, first, last):
    """The bytes from `first` to `last` of an open file, not to be kept; uint8, shape (last - first,)."""
    if last - first <= _READ_MAX:  # reading a little costs less than mapping it
        yield np.frombuffer(os.pread(handle.fileno(), last - first, first), dtype=np.uint8)
        return
    begin = first // mmap.ALLOCATIONGRANULARITY * mmap.ALLOCATIONGRANULARITY
    with mmap.mmap(handle.fileno(), last - begin, access=mmap.ACCESS_READ, offset=begin) as window:
        data = np.frombuffer(window, dtype=np.uint8)[first - begin :]
        try:
            yield data
        finally:
            del data
            # a caller that still held on to the bytes would make closing raise BufferError: our bug, and seen at once


def windows(stretches):
    """Cut stretches into pieces of at most WINDOW bytes: (first, last)."""
    for first, last in stretches:
        for begin in range(first, last, WINDOW):
            yield begin, min(begin + WINDOW, last)


def without(stretches, taken):
    """What is left of rising `stretches` outside the rising intervals `taken`; both lists of (first, last)."""
    left, n = [], 0
    for first, last in stretches:
        while n < len(taken) and taken[n][1] <= first:
            n += 1
        at, k = first, n
        while k < len(taken) and taken[k][0] < last:
            if taken[k][0] > at:
                left.append((at, taken[k][0]))
            at = max(at, taken[k][1])
            k += 1
        if at < last:
            left.append((at, last))
    return left


def overlap(stretches, others):
    """What rising `stretches` and rising `others` have in common."""
    return without(stretches, without(stretches, others))


def merged(intervals):
    """Intervals in rising order, those that touch made one; list of (first, last)."""
    result = []
    for first, last in sorted(intervals):
        if result and first <= result[-1][1]:
            result[-1] = (result[-1][0], max(result[-1][1], last))
        else:
            result.append((first, last))
    return result

"""Bytes from which some were lost, or into which some were put, moved so that every sector begins on a block again.

Behind such a place all sectors stand off the blocks, and would be read as rubble although nothing is wrong with them. A
stretch of blocks without a header is looked through for headers at any byte; where they stand on another phase than
those before them, fill is put in. So the loss is one hurt sector, and what was put in is one block too many.
"""

from typing import NamedTuple

import numpy as np

from ground.decode.frames.headers import MARK, header_rows
from ground.decode.frames.wire import SECTOR_SIZE
from shared_protocol.frame import FILL, HEADER_SIZE

_FEW = 3  # blocks in a row without a header that damage to their headers explains better
_MANY = 1000  # stretches that are sooner looked through as one, with what lies between them
_SHARED = 3  # bytes of a header that, its own ones being lost, may be the last ones of the frame before it
_NEAR = 8 * SECTOR_SIZE  # headers that far apart or less, on one phase, are a log's
_AROUND = 8  # headers on either side that tell what a header is one of


class Realigned(NamedTuple):
    """Bytes in which every sector begins on a block.

    Attributes
    ----------
    data : numpy.ndarray of uint8
    joined : numpy.ndarray of bool, or None
        As it was, of the new blocks.
    begins : numpy.ndarray of int64
        Rising numbers of the blocks that begin another phase: bytes were lost or put in between each and the header
        before it.
    """

    data: np.ndarray
    joined: np.ndarray | None
    begins: np.ndarray


def realigned(data, joined, marked):
    """The same bytes with fill put in where the sectors' phase changes; None if it does not.

    Parameters
    ----------
    data : numpy.ndarray of uint8, shape (n,)
        Begins where a sector does.
    joined : numpy.ndarray of bool, or None
        See `sectors.split`.
    marked : numpy.ndarray of int64
        Rising numbers of the blocks that begin with a header's mark.
    """
    strays = _headers_off_the_blocks(data, _bare_stretches(marked, -(-len(data) // SECTOR_SIZE)))
    if len(strays) == 0:
        return None
    cuts = _phase_changes(np.sort(np.concatenate([marked * SECTOR_SIZE, strays])))
    if len(cuts) == 0:
        return None
    begins, ends = np.append(0, cuts), np.append(cuts, len(data))
    places = np.append(0, np.cumsum(-(-(ends - begins) // SECTOR_SIZE) * SECTOR_SIZE)[:-1])
    moved = np.full(places[-1] + ends[-1] - begins[-1], FILL, dtype=np.uint8)
    for begin, end, place in zip(begins.tolist(), (ends + _SHARED).tolist(), places.tolist(), strict=True):
        piece = data[begin:end]
        moved[place : place + len(piece)] = piece[: len(moved) - place]  # rising: what is too much goes under the next
    if joined is not None:
        last_bytes = np.minimum((np.flatnonzero(~joined) + 1) * SECTOR_SIZE, len(data)) - 1
        part = np.searchsorted(begins, last_bytes, side="right") - 1
        joined = np.ones(-(-len(moved) // SECTOR_SIZE), dtype=bool)
        joined[(last_bytes - begins[part] + places[part]) // SECTOR_SIZE] = False
    return Realigned(moved, joined, places[1:] // SECTOR_SIZE)


def _bare_stretches(marked, count):
    """First and last + 1 of the longer stretches of blocks that are not marked."""
    edges = np.concatenate([[-1], marked, [count]])
    long = np.flatnonzero(np.diff(edges) - 1 > _FEW)
    if len(long) > _MANY:
        return [(int(edges[long[0]] + 1), int(edges[long[-1] + 1]))]
    return list(zip((edges[long] + 1).tolist(), edges[long + 1].tolist(), strict=True))


def _headers_off_the_blocks(data, stretches):
    """Offsets of intact headers in some stretches of blocks and one block before, off the blocks; int64, rising."""
    found = [np.empty(0, np.int64)]
    for first, last in stretches:
        begin, end = max(first - 1, 0) * SECTOR_SIZE, min(last * SECTOR_SIZE + MARK.itemsize, len(data))
        for shift in range(MARK.itemsize):
            count = max(end - begin - shift, 0) // MARK.itemsize
            words = np.ndarray((count,), dtype="<u4", buffer=data, offset=begin + shift)
            found.append(np.flatnonzero(words == MARK) * MARK.itemsize + begin + shift)
    offsets = np.sort(np.concatenate(found))
    offsets = offsets[(offsets % SECTOR_SIZE != 0) & (offsets + HEADER_SIZE <= len(data))]
    return offsets[header_rows(data, offsets)[1]] if len(offsets) else offsets


def _phase_changes(headers):
    """Which headers stand on another phase than the one before; without those among which few stand sectors apart.

    Those are a capture's. In a log that loses bytes all the time a header may be the only one on its phase.
    """
    apart = (np.diff(headers) % SECTOR_SIZE == 0) & (np.diff(headers) <= _NEAR)
    paired = np.append(apart, False) | np.append(False, apart)
    before = np.append(0, np.cumsum(paired))
    number = np.arange(len(headers))
    first, last = np.maximum(number - _AROUND, 0), np.minimum(number + _AROUND + 1, len(headers))
    mostly = 2 * (before[last] - before[first]) >= last - first
    kept = headers[mostly | (headers % SECTOR_SIZE == 0)]
    return kept[np.flatnonzero(np.diff(kept % SECTOR_SIZE, prepend=0))]

"""Where in a file sectors and frames of a log are, without a look at any file system.

Two passes. The first compares one word of every 512-byte block with the sector mark: it costs no more than reading.
The second looks at every byte, for frames beside the blocks that the first one knows: sectors that lost their header,
logs that begin between two blocks, frames of a serial capture. Both keep places, never the bytes.
"""

import numpy as np

from ground.decode.frames.headers import MARK, header_rows, marked_blocks
from ground.decode.frames.wire import NO_KIND, SECTOR_SIZE, SIZE_MAX, SYNC_WORD, kind_of_pair, rows_at
from ground.decode.salvage.extents import mapped, windows
from shared_protocol.frame import HEADER_SIZE

RUN = np.dtype([("block", "i8"), ("count", "i8"), ("sector", "i8"), ("log_id", "u4"), ("boot", "u4")])
HEADER_AT = np.dtype([("offset", "i8"), ("log_id", "u4"), ("boot", "u4"), ("sector", "u4")])
SLICE = 4 << 20  # bytes compared at a time in the second pass: stays near the processor
_TOGETHER = 100_000  # headers checked at a time
_NEAR = 1024  # bytes between two frames that count as one stretch


def runs(handle, extents, progress=None, samples=None):
    """Runs of intact sectors on block boundaries: one log, one boot, numbers and places rising together.

    Parameters
    ----------
    handle : file, open for reading
    extents : list of (int, int)
        See `extents.data_extents`.
    progress : callable, optional
        Called with the bytes that were looked at so far.
    samples : samples.Samples, optional
        Shown every window.

    Returns
    -------
    numpy.ndarray of RUN, shape (n,)
        Rising by place.
    """
    headers, found, done = _Headers(), [], 0
    for first, last in windows(extents):
        with mapped(handle, first, last) as data:
            at = marked_blocks(data) * SECTOR_SIZE
            cut = (last - first) // SECTOR_SIZE * SECTOR_SIZE
            if last - first - cut >= HEADER_SIZE:  # the last block of a copy that was cut short
                at = np.append(at, cut)
            headers.note(data, at, first)
            if samples:
                samples.note(data, first)
            del data
        if headers.count >= _TOGETHER:
            found.append(_as_runs(headers.intact()))
        done += last - first
        if progress:
            progress(done)
    found.append(_as_runs(headers.intact()))
    return _joined(np.concatenate(found))


class _Headers:
    """What may be headers, copied out of window after window and checked many at a time."""

    def __init__(self):
        self._places, self._rows, self.count = [np.empty(0, np.int64)], [np.empty((0, HEADER_SIZE), np.uint8)], 0

    def note(self, data, at, origin):
        """Copy those at the offsets `at` of `data`, which begins at `origin` of the file."""
        if len(at):
            self._places.append(at + origin)
            self._rows.append(rows_at(data, at, HEADER_SIZE))
            self.count += len(at)

    def intact(self):
        """Those noted since the last call whose CRC holds; HEADER_AT."""
        raw = np.concatenate(self._rows).ravel()
        places = np.concatenate(self._places)
        rows, intact = header_rows(raw, np.arange(len(places)) * HEADER_SIZE)
        result = np.zeros(int(intact.sum()), dtype=HEADER_AT)
        result["offset"] = places[intact]
        for name in ("log_id", "boot", "sector"):
            result[name] = rows[name][intact]
        self.__init__()
        return result


def _as_runs(headers):
    singles = np.zeros(len(headers), dtype=RUN)
    singles["block"], singles["count"] = headers["offset"] // SECTOR_SIZE, 1
    for name in ("sector", "log_id", "boot"):
        singles[name] = headers[name]
    return _joined(singles)


def _joined(found):
    """Runs of which the next one goes on where the one before ends, made one."""
    if len(found) < 2:
        return found
    goes_on = np.ones(len(found) - 1, dtype=bool)
    for name in ("block", "sector"):
        goes_on &= found[name][1:] == found[name][:-1] + found["count"][:-1]
    for name in ("log_id", "boot"):
        goes_on &= found[name][1:] == found[name][:-1]
    begins = np.flatnonzero(np.concatenate([[True], ~goes_on]))
    result = found[begins].copy()
    result["count"] = np.add.reduceat(found["count"], begins)
    return result


def frames_anywhere(handle, stretches, progress=None):
    """Stretches of bytes in which frames may begin, and the intact headers among them, at any offset.

    Returns
    -------
    intervals : list of (int, int)
        Rising; from the first sync word of a stretch to where a frame from its last one must have ended.
    headers : numpy.ndarray of HEADER_AT
        Rising by offset.
    """
    intervals, headers, found, done = [], _Headers(), [], 0
    for outer, end in stretches:
        for first, last in windows([(outer, end)]):
            with mapped(handle, first, min(last + SIZE_MAX, end)) as data:
                for begin in range(0, last - first, SLICE):
                    stop = min(begin + SLICE, last - first)
                    at = likely(data, begin, stop)
                    headers.note(data, _marked(data, at), first)
                    _extend(intervals, at + first)
                del data
            if headers.count >= _TOGETHER:
                found.append(headers.intact())
            done += last - first
            if progress:
                progress(done)
    return intervals, np.concatenate([*found, headers.intact()])


def likely(data, begin, stop):
    """Offsets from `begin` to `stop` of a sync word with a legal type and length behind it."""
    view = data[begin : min(stop + 3, len(data))]
    if len(view) < 4:
        return np.empty(0, np.int64)
    at = np.flatnonzero((view[:-3] == SYNC_WORD & 0xFF) & (view[1:-2] == SYNC_WORD >> 8))
    kind = kind_of_pair()[view[at + 2] | view[at + 3].astype(np.uint16) << 8]
    return at[kind != NO_KIND] + begin


def _marked(data, at):
    """Of the given offsets those of a sector mark."""
    at = at[at + HEADER_SIZE <= len(data)]
    return at[data[at[:, None] + np.arange(4)].view("<u4").ravel() == MARK] if len(at) else at


def _extend(intervals, at):
    """Add the places of likely frames to the stretches known so far."""
    if len(at) == 0:
        return
    breaks = np.flatnonzero(np.diff(at) > _NEAR)
    firsts, lasts = at[np.append(0, breaks + 1)].tolist(), at[np.append(breaks, len(at) - 1)].tolist()
    if intervals and firsts[0] - intervals[-1][1] <= _NEAR:
        firsts[0] = intervals.pop()[0]
    intervals.extend((first, last + SIZE_MAX) for first, last in zip(firsts, lasts, strict=True))

"""From places to bytes: the blocks of some logs and what lies around them, put one behind the other.

What lies between two sectors of a log is taken along where their numbers say that it was the log's too; so are a few
blocks on either side, which may be sectors with a hurt header.
"""

import numpy as np

from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.salvage.extents import mapped, merged, overlap, windows, without

_NEIGHBOURS = 8  # blocks on either side of a sector
_BRIDGE = 1 << 17  # blocks between two sectors of one log, 64 MiB: more is no gap but another place


def open_edges(runs):
    """Which runs begin and which end where their log has no sector that goes before or behind; bool, shape (n,) each.

    A file in pieces has many edges, and most are explained: the log goes on elsewhere.
    """
    log = runs["log_id"].astype(np.int64) << 32
    begins, ends = log + runs["sector"], log + runs["sector"] + runs["count"]
    return ~np.isin(begins, ends), ~np.isin(ends, begins)


def beyond_edges(runs, size, at_most=8 << 20):
    """Byte intervals outside of the open edges of runs, at most 64 MiB in all where that is possible."""
    begins, ends = open_edges(runs)
    by = min(at_most, max((64 << 20) // max(int(begins.sum() + ends.sum()), 1), _NEIGHBOURS * SECTOR_SIZE))
    first = runs["block"][begins] * SECTOR_SIZE
    last = (runs["block"] + runs["count"])[ends] * SECTOR_SIZE
    before = zip(np.maximum(first - by, 0).tolist(), first.tolist(), strict=True)
    behind = zip(np.minimum(last, size).tolist(), np.minimum(last + by, size).tolist(), strict=True)
    return merged([*before, *behind])


def lacks_pieces(runs):
    """Whether a log has numbers that lie nowhere between its sectors: a piece of it may be in any other place.

    One number is left out by every power-up and says nothing.
    """
    for log_id in np.unique(runs["log_id"]).tolist():
        own = runs[runs["log_id"] == log_id]
        number_end = own["sector"] + own["count"]
        between = _bridged(own)
        first = np.concatenate([own["sector"], number_end[between]])
        last = np.concatenate([number_end, own["sector"][between + 1]])
        boot = np.concatenate([own["boot"], own["boot"][between + 1]])
        order = np.argsort(first, kind="stable")
        first, reached, boot = first[order], np.maximum.accumulate(last[order]), boot[order]
        lost = first[1:] - reached[:-1]
        if ((lost > 1) | ((lost == 1) & (boot[1:] == boot[:-1]))).any():
            return True
    return False


def _bridged(own):
    """Which of a log's runs have to the next one as many blocks as numbers: what lies between was the log's."""
    lost = own["block"][1:] - (own["block"] + own["count"])[:-1]
    numbers = own["sector"][1:] - (own["sector"] + own["count"])[:-1]
    return np.flatnonzero((lost > 0) & (lost == numbers) & (lost <= _BRIDGE))


def around(runs, size):
    """Byte intervals of runs, a few blocks beyond their open edges and what lies between them; (first, last), rising.

    Parameters
    ----------
    runs : numpy.ndarray of carve.RUN
        Of one log or several, rising by place.
    size : int
        Of the file.
    """
    first, last = runs["block"], runs["block"] + runs["count"]
    intervals = list(zip(first.tolist(), last.tolist(), strict=True))
    for log_id in np.unique(runs["log_id"]).tolist():
        own = runs[runs["log_id"] == log_id]
        end, bridged = own["block"] + own["count"], _bridged(own)
        intervals += zip(end[bridged].tolist(), own["block"][bridged + 1].tolist(), strict=True)
    places = [(a * SECTOR_SIZE, min(b * SECTOR_SIZE, size)) for a, b in intervals]
    return merged(places + beyond_edges(runs, size, _NEIGHBOURS * SECTOR_SIZE))


def on_blocks(intervals, phase, size):
    """Intervals widened to blocks that begin at `phase` (0 to 511) plus a multiple of 512, merged."""
    wide = []
    for first, last in intervals:
        a = phase + (first - phase) // SECTOR_SIZE * SECTOR_SIZE
        b = phase - (phase - last) // SECTOR_SIZE * SECTOR_SIZE
        if a < 0:  # before the first whole block: on its own, see `buffer`
            a += SECTOR_SIZE
        wide.append((a, min(b, size)))
    return merged([pair for pair in wide if pair[0] < pair[1]])


def buffer(handle, intervals):
    """The bytes of rising intervals, all on the same block phase, one behind the other.

    Returns
    -------
    data : numpy.ndarray of uint8
    joined : numpy.ndarray of bool, shape (blocks,)
        Whether the next block follows in the file too.
    """
    total = sum(last - first for first, last in intervals)
    data = np.empty(total, dtype=np.uint8)
    at, ends = 0, []
    for first, last in intervals:
        for begin, end in windows([(first, last)]):
            with mapped(handle, begin, end) as window:
                data[at : at + len(window)] = window
                at += len(window)
                del window
        ends.append(at)
    joined = np.ones(-(-total // SECTOR_SIZE), dtype=bool)
    joined[(np.array(ends) - 1) // SECTOR_SIZE] = False
    return data, joined


def unexplained(extents, runs, small, size):
    """Stretches in which every byte has to be looked at."""
    begins, ends = runs["block"] * SECTOR_SIZE, (runs["block"] + runs["count"]) * SECTOR_SIZE
    known = list(zip(begins.tolist(), ends.tolist(), strict=True))
    if small:
        return without(extents, known)
    strange = [pair for pair in extents if not _has_any(begins, pair)]
    near = overlap(extents, beyond_edges(runs, size))
    return merged(strange + without(near, known))


def _has_any(rising, pair):
    first, last = np.searchsorted(rising, pair)
    return bool(last > first)


def layout(runs, headers):
    """Whether headers stand a sector apart, as on a card, or anywhere, as in a capture; and the place of blocks."""
    aligned = int(runs["count"].sum())
    if aligned >= len(headers):
        return "image", 0
    at = headers["offset"]
    apart = np.isin(np.diff(at), SECTOR_SIZE * np.arange(1, 4)).sum()
    if len(at) >= 4 and apart < len(at) // 4:
        return "capture", 0
    return "image", int(np.bincount(at % SECTOR_SIZE).argmax())


def in_parts(handle, intervals, size, most):
    """The bytes of intervals widened to blocks, in arrays of at most so many bytes."""
    part, held = [], 0
    for first, last in on_blocks(intervals, 0, size):
        for begin in range(first, last, most):
            end = min(begin + most, last)
            if part and held + end - begin > most:
                yield buffer(handle, part)[0]
                part, held = [], 0
            part.append((begin, end))
            held += end - begin
    if part:
        yield buffer(handle, part)[0]


def buffers(handle, intervals, phase, size, aligned=True):
    """What `records.read` takes, of intervals widened to blocks that begin at `phase`; list of tuples."""
    found = []
    whole = on_blocks(intervals, phase, size)
    if whole:
        found.append((*buffer(handle, whole), aligned))
    if phase and any(first < phase for first, _last in intervals):
        found.append((*buffer(handle, [(0, phase)]), False))
    return found


def log_by_log(path, size, runs, headers, intervals):
    """What gives the buffers of each log; frames that lost their header go with every log, which takes its own."""
    log_ids = sorted({*np.unique(runs["log_id"]).tolist(), *np.unique(headers["log_id"]).tolist()})
    near = {}
    for log_id in log_ids:
        loose = headers[headers["log_id"] == log_id]["offset"]
        own_place = beyond_edges(runs[runs["log_id"] == log_id], size)
        near[log_id] = [pair for pair in intervals if _has_any(loose, pair) or overlap([pair], own_place)]
    nobodys = sorted(set(intervals) - {pair for own in near.values() for pair in own})

    def buffers_of(log_id):
        own = around(runs[runs["log_id"] == log_id], size)
        with open(path, "rb") as handle:
            return buffers(handle, own + near[log_id] + nobodys, 0, size)

    return {log_id: lambda log_id=log_id: buffers_of(log_id) for log_id in log_ids}

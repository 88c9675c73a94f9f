"""In which order the boots of a flight happened.

Logs follow each other by their time, and within a log each boot has a higher number than the one before: the board sees
to it even where its flash has lost the count (firmware/core/boots.py). Should the receiver's times contradict the
numbers all the same, the places of their sectors decide, for a log is written from its beginning to its end.
"""

from itertools import groupby, pairwise

import numpy as np


def in_order(boots, fitted, sectors_of):
    """The boots, sorted.

    Parameters
    ----------
    boots : list of BootFrames
        Of the flight.
    fitted : dict of int to Line or None
        By key number.
    sectors_of : callable
        Given a log's id, numbers and key numbers of its sectors on a card, as `lost_sectors.sectors_of`.
    """
    begins = {}
    for boot in boots:
        line = fitted.get(boot.key)
        if line is not None:
            begins.setdefault(boot.log_id, _begin(boot, line))
    boots = sorted(boots, key=lambda boot: (begins.get(boot.log_id, 0.0), boot.log_id, boot.boot))
    result = []
    for log_id, group in groupby(boots, key=lambda boot: boot.log_id):
        own = list(group)
        times = [_begin(boot, fitted[boot.key]) for boot in own if fitted.get(boot.key)]
        if any(after < before for before, after in pairwise(times)):
            places = _places(own, *sectors_of(log_id)[:2])
            own.sort(key=lambda boot: places[boot.key])
        result += own
    return result


def _begin(boot, line):
    return float(line.at(boot.first_ms))


def _places(boots, sectors, keys):
    """Number of each boot's first sector, by key number; a boot without one stands where the one before it does."""
    keys, first = np.unique(keys, return_index=True)  # sectors rise
    first_of = dict(zip(keys.tolist(), sectors[first].tolist(), strict=True))
    places, before = {}, -1
    for boot in boots:
        places[boot.key] = before = first_of.get(boot.key, before)
    return places

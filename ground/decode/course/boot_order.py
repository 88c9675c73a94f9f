"""In which order the boots of a flight happened.

Logs follow each other by their time, and within a log each boot has a higher number than the one before: the board sees
to it even where its flash has lost the count (firmware/core/boots.py). Should the receiver's times contradict the
numbers all the same, the places of their sectors decide, for a log is written from its beginning to its end.
"""

from itertools import pairwise

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
    for log_id in dict.fromkeys(boot.log_id for boot in boots):
        own = [boot for boot in boots if boot.log_id == log_id]
        times = [_begin(boot, fitted[boot.key]) for boot in own if fitted.get(boot.key)]
        if any(after < before for before, after in pairwise(times)):
            places = _places(own, *sectors_of(log_id)[:2])
            first = boots.index(own[0])
            boots[first : first + len(own)] = sorted(own, key=lambda boot: places[boot.key])
    return boots


def _begin(boot, line):
    return float(line.at(boot.first_ms))


def _places(boots, sectors, keys):
    """Number of each boot's first sector, by key number; a boot without one stands where the one before it does."""
    places, before = {}, -1
    for boot in boots:
        own = sectors[keys == boot.key]
        before = int(np.min(own)) if len(own) else before
        places[boot.key] = before
    return places

"""Rows of a column that have one value: those of a boot, a probe, a log."""

from itertools import pairwise

import numpy as np


def rows_by_value(values):
    """Yield `(value, rows)` for each distinct whole number, rising; rows is a rising index array."""
    if len(values) == 0:
        return
    order = np.argsort(values, kind="stable")
    ranked = values[order]
    begins = np.concatenate([[0], np.flatnonzero(ranked[1:] != ranked[:-1]) + 1, [len(ranked)]])
    for first, last in pairwise(begins.tolist()):
        yield int(ranked[first]), order[first:last]

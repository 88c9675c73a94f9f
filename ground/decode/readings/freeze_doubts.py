"""Readings that a chip repeated before the board could know that it was frozen.

The board says so after many equal words and, of most chips, only once the box has moved by 700 m since the first
(firmware/core/freeze.py); what it had logged until then carries no flag. Here such a run is flagged from where the box
had moved by 100 m, for at rest a live chip may say one word for an hour; without a height, from its second reading on.
"""

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.readings import flags as flag_bits
from ground.decode.readings import witness
from shared_protocol.records import FLAG_FROZEN

_RUN_MIN = 20  # readings; of fewer equal ones no board calls a chip frozen
_STILL_M = 100.0
# table, whose readings, words that go together, whether a live one may repeat them at rest
_WATCHED = (
    ("pressure", "sensor", ("d1",), False),
    ("pressure", "sensor", ("d2",), False),
    ("temperature", "probe", ("raw",), True),
    ("power", "channel", ("bus_raw", "shunt_raw"), True),
)


def flag_back(tables, bits):
    """Add the flag to what was said before the board knew.

    Parameters
    ----------
    tables : dict of str to Table
        Stamped tables, rising by boot and time; their `flags` are made anew where some were added.
    bits : dict of str to numpy.ndarray of int64
        Their flags; added to in place.
    """
    for name, who, words, may_rest in _WATCHED:
        said = (bits[name] & FLAG_FROZEN) != 0
        if not said.any():
            continue
        table = tables[name]
        heights = witness.heights(tables["pressure"], bits["pressure"]) if may_rest else None
        for value, rows in rows_by_value(table["boot"].astype(np.int64) << 16 | table[who].codes + 1):
            for run in _runs([table[word][rows] for word in words]):
                mine = rows[run]
                if said[mine].any():
                    first = 1 if heights is None else _moved(heights.at(value >> 16, table["t_ms"][mine]))
                    bits[name][mine[first:]] |= FLAG_FROZEN
        table.columns["flags"] = flag_bits.words_of(bits[name])


def _runs(words):
    """Slices of equal readings, long ones alone."""
    same = np.ones(len(words[0]) - 1, dtype=bool)
    for word in words:
        same &= word[1:] == word[:-1]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if last + 1 - first >= _RUN_MIN:
            yield slice(first, last + 1)


def _moved(height_m):
    """The first reading of a run at which the box had moved; the second where no height is known."""
    known = np.flatnonzero(~np.isnan(height_m))
    if len(known) == 0:
        return 1
    far = np.flatnonzero(np.abs(height_m[known] - height_m[known[0]]) >= _STILL_M)
    return int(known[far[0]]) if len(far) else len(height_m)

"""Positions that a receiver repeats or jumps to, found with the whole record at hand and the barometer as a witness.

The board flags what it can see at the moment: a freeze after ten rows, a jump when it is farther than anything flies.
Here a frozen run is flagged from its second row on, and a jump from 150 m on, wherever it differs from the median of
the eleven rows around it. The board's flags stay as they are.
"""

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.readings import witness
from shared_protocol.records import FLAG_FROZEN, FLAG_JUMP

_RUN_MIN = 5  # rows with the same position, for a run
_RUN_SURE = 10  # so many can't be chance where a receiver moves
_RUN_M = 50.0  # of pressure altitude within ten minutes of a run
_RUN_S = 600.0
_HIGH_M = 9000.0  # nobody stands still there
_MOVES_MPS = 2.0
_WINDOW = 11  # rows of the running median
_GAP_MS = 5000  # a longer pause between rows begins a new piece
_FAR_M = 150.0  # from the median of the neighbours on both sides,
_EDGE_M = 500.0  # or, at the ends of a piece, of those on one side, from which it also moves away
_EDGE_UP_M = 800.0  # the same for heights without a barometer, at 100 m/s of fall
_METRES_PER_DEGREE = 111_195.0


def doubts(fix, bits, pressure, pressure_bits):
    """Flag bits to add to fixes.

    Parameters
    ----------
    fix, pressure : Table
        Stamped tables, rising by boot and time.
    bits, pressure_bits : numpy.ndarray of int64
        Their flags so far.

    Returns
    -------
    numpy.ndarray of int64, shape (len(fix),)
    """
    added = np.zeros(len(bits), dtype=np.int64)
    heights = witness.heights(pressure, pressure_bits)
    for boot, rows in rows_by_value(fix["boot"]):
        rows = rows[~np.isnan(fix["latitude_deg"][rows])]
        if len(rows) == 0:
            continue
        t_ms = fix["t_ms"][rows]
        witness_m = heights.at(boot, t_ms)
        place = [fix[name][rows] for name in ("latitude_deg", "longitude_deg", "altitude_m", "ellipsoid_height_m")]
        moves = np.maximum(np.nan_to_num(fix["speed_mps"][rows]), np.abs(np.nan_to_num(fix["climb_mps"][rows])))
        said = (bits[rows] & FLAG_FROZEN) != 0
        frozen = frozen_runs(t_ms, place, moves, witness_m, said)
        added[rows[frozen]] |= FLAG_FROZEN
        live = ~frozen & ~said
        latitude, longitude, altitude, ellipsoid = (value[live] for value in place)
        up = np.where(np.isnan(altitude), ellipsoid, altitude)
        added[rows[live][jumps(t_ms[live], latitude, longitude, up, witness_m[live])]] |= FLAG_JUMP
    return added


def frozen_runs(t_ms, place, moves_mps, witness_m, said):
    """Rows that repeat the row before, in runs that no live receiver gives; bool, shape (n,).

    `place` is a list of arrays that all have to repeat; `witness_m` the height by pressure, NaN where it is not known;
    `said` the rows that the board had flagged.
    """
    same = np.ones(len(t_ms) - 1, dtype=bool) if len(t_ms) else np.zeros(0, dtype=bool)
    for value in place:
        same &= (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
    frozen = np.zeros(len(t_ms), dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):  # rows first..last are alike
        run = slice(first, last + 1)
        length = last + 1 - first
        if length < _RUN_MIN:
            continue
        known = witness_m[run][~np.isnan(witness_m[run])]
        spans = max(1.0, (t_ms[last] - t_ms[first]) / 1000.0 / _RUN_S)
        rises = len(known) > 1 and np.ptp(known) >= _RUN_M * spans
        height = place[2][first] if not np.isnan(place[2][first]) else place[3][first]
        sure = length >= _RUN_SURE and (height >= _HIGH_M or moves_mps[run].max() >= _MOVES_MPS)
        if rises or sure or said[run].any():
            frozen[first + 1 : last + 1] = True
    return frozen


def jumps(t_ms, latitude_deg, longitude_deg, up_m, witness_m):
    """Rows that lie away from their neighbours; bool, shape (n,)."""
    jump = np.zeros(len(t_ms), dtype=bool)
    breaks = np.flatnonzero(np.diff(t_ms) > _GAP_MS) + 1
    for piece in np.split(np.arange(len(t_ms)), breaks):
        if len(piece) < _WINDOW:
            continue
        edge = np.zeros(len(piece), dtype=bool)
        edge[: _WINDOW // 2] = edge[-(_WINDOW // 2) :] = True
        limit_m = np.where(edge, _EDGE_M, _FAR_M)
        north = latitude_deg[piece] * _METRES_PER_DEGREE
        longitude = np.unwrap(longitude_deg[piece], period=360.0)
        east = longitude * _METRES_PER_DEGREE * np.cos(np.radians(np.median(latitude_deg[piece])))
        far = np.hypot(_off(north), _off(east)) > limit_m
        has = np.flatnonzero(~np.isnan(up_m[piece]))
        if len(has) >= _WINDOW:
            height, witness = up_m[piece][has], witness_m[piece][has]
            if np.isnan(witness).any():
                off, limit = _off(height), np.where(edge[has], _EDGE_UP_M, _EDGE_M)
            else:  # against the barometer even a burst is no corner
                off, limit = _off(height - witness), limit_m[has]
            far[has] |= np.abs(off) > limit
        jump[piece] = far
    return jump


def _off(values):
    """Distance of each value from the median of the eleven around it; at the ends, of the first or last eleven."""
    middle = np.median(np.lib.stride_tricks.sliding_window_view(values, _WINDOW), axis=1)
    half = _WINDOW // 2
    return values - np.concatenate([np.repeat(middle[0], half), middle, np.repeat(middle[-1], half)])

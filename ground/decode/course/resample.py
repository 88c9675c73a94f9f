"""Readings that come when they come, as one value for each whole second.

A fast series (two readings a second or more) is averaged over the second around the mark. A slow one is read off the
straight line between its neighbours if they are close together. Across a hole of a few seconds the line is still drawn,
but the value is marked as interpolated; across a longer one there is no value.
"""

import numpy as np

NONE, MEASURED, INTERPOLATED = 0, 1, 2
HALF_MS = 500
FAST_MS = 500  # median period up to which a series is averaged
CLOSE_MS = 2500  # neighbours of a 1 Hz series, one of them late or lost
CLOSE_MS_MAX = 7500  # of a series that is slower by itself (battery: each 5 s)
HOLE_MS_MAX = 6000


def per_second(grid_ms, t_ms, values):
    """Values at whole seconds.

    Parameters
    ----------
    grid_ms : numpy.ndarray of int64, shape (m,)
        The seconds, rising. [ms UTC]
    t_ms : numpy.ndarray of int64, shape (n,)
        When the readings were made, rising. [ms UTC]
    values : numpy.ndarray, shape (n,)
        NaN is no reading.

    Returns
    -------
    result : numpy.ndarray, shape (m,)
        NaN where there is no value.
    how : numpy.ndarray of int8, shape (m,)
        NONE, MEASURED or INTERPOLATED.
    """
    result, how = np.full(len(grid_ms), np.nan), np.zeros(len(grid_ms), dtype=np.int8)
    good = ~np.isnan(values)
    t, v = t_ms[good], values[good]
    if len(t) == 0:
        return result, how
    period = float(np.median(np.diff(t))) if len(t) > 1 else 0.0
    if len(t) > 1 and period <= FAST_MS:
        first = np.searchsorted(t, grid_ms - HALF_MS, side="left")
        last = np.searchsorted(t, grid_ms + HALF_MS, side="left")
        total = np.concatenate([[0.0], np.cumsum(v - v[0])])  # less the first value: sums stay small and exact
        some = last > first
        result[some] = v[0] + (total[last] - total[first])[some] / (last - first)[some]
        how[some] = MEASURED
    _between(grid_ms, t, v, min(max(CLOSE_MS, 1.5 * period), CLOSE_MS_MAX), result, how)
    return result, how


def _between(grid_ms, t, v, close_ms, result, how):
    right = np.searchsorted(t, grid_ms, side="left")
    left = np.maximum(right - 1, 0)
    left = np.where((right < len(t)) & (t[np.minimum(right, len(t) - 1)] == grid_ms), right, left)
    right = np.minimum(right, len(t) - 1)
    inside = (t[left] <= grid_ms) & (grid_ms <= t[right])
    hole = np.where(inside, t[right] - t[left], np.iinfo(np.int64).max)
    share = np.where(inside & (hole > 0), (grid_ms - t[left]) / np.maximum(hole, 1), 0.0)
    line = v[left] + (v[right] - v[left]) * share
    nearer = np.where(np.abs(t[left] - grid_ms) <= np.abs(t[right] - grid_ms), left, right)
    near = np.abs(t[nearer] - grid_ms) <= HALF_MS
    for mask, value, kind in (
        (hole <= close_ms, line, MEASURED),
        (hole <= HOLE_MS_MAX, line, INTERPOLATED),
        (near, v[nearer], MEASURED),
    ):  # alone beside a long hole, or in a slow series
        take = mask & (how == NONE)
        result[take], how[take] = value[take], kind


def seconds_touched(grid_ms, t_ms, chosen):
    """Seconds within half a second of one of the chosen readings; bool, shape (m,)."""
    touched = np.zeros(len(grid_ms), dtype=bool)
    if len(grid_ms) and chosen.any():
        nearest = (t_ms[chosen] + HALF_MS) // 1000 * 1000
        place = np.minimum(np.searchsorted(grid_ms, nearest), len(grid_ms) - 1)
        touched[place[grid_ms[place] == nearest]] = True
    return touched

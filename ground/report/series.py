"""Many readings made few enough to draw, without hiding what they did.

A line is never drawn across a gap, and a thinned line keeps its extremes: each point is the median of one slice of
time (or of height), with the lowest and the highest reading of that slice beside it.
"""

import numpy as np
import pandas as pd

SLICES_MAX = 600  # per line: more than a laptop's chart has pixels
GAP_MIN_MS = 3000.0
GAP_PERIODS = 3.0
REACH_MS = 7000.0  # the second copy of a log has a reading each 5 s, one of them a little late
SEEN_S = 1.0  # for which a reading speaks at most: a box that was looked at each 5 s was not seen turning


def gap_starts(times_ms):
    """For each reading, whether a gap lies before it, shape (n,).

    A pause is a gap when it is longer than 3 s and than three times the reading's usual period just before and just
    after it. Looking at both sides lets the recorder slow down (after landing it does) without every pause counting.
    """
    starts = np.zeros(len(times_ms), dtype=bool)
    if len(times_ms) < 2:
        return starts
    pauses = np.diff(times_ms)
    padded = np.concatenate([np.full(5, np.nan), pauses, np.full(5, np.nan)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 5)
    with np.errstate(all="ignore"):
        before = _median_or(windows[: len(pauses)], 0.0)
        after = _median_or(windows[6 : 6 + len(pauses)], 0.0)
    starts[1:] = pauses > np.maximum(GAP_MIN_MS, GAP_PERIODS * np.maximum(before, after))
    return starts


def _median_or(rows, default):
    """Median of each row without its NaN, `default` where a row holds nothing else."""
    filled = np.sort(rows, axis=1)  # NaN sorts to the end
    count = np.sum(np.isfinite(rows), axis=1)
    middle = filled[np.arange(len(rows)), np.maximum(count - 1, 0) // 2]
    return np.where(count > 0, middle, default)


def time_slices(times_ms, values, slices_max=SLICES_MAX):
    """Readings against time as slices, with an empty row in each gap.

    Parameters
    ----------
    times_ms, values : array_like, shape (n,)
        In any order; readings that are not finite are left out.
    slices_max : int
        Number of slices over the whole length.

    Returns
    -------
    pandas.DataFrame
        Columns `t` [ms], `low`, `mid` (median), `high`; all but `t` are NaN in the row that stands for a gap.
    float
        Length of a slice. [ms] Zero if every reading is kept.
    """
    times, values = _clean(times_ms, values)
    if not len(times):
        return pd.DataFrame({"t": [], "low": [], "mid": [], "high": []}), 0.0
    run = np.cumsum(gap_starts(times))
    width = (times[-1] - times[0]) / slices_max if len(times) > slices_max else 0.0
    if width:
        bounds = np.searchsorted(run, np.arange(run[-1] + 2))
        starts, ends = times[bounds[:-1]], times[bounds[1:] - 1]
        # A short run is two slices at least, so that it is drawn as long as it was.
        own_width = np.minimum(width, np.maximum((ends - starts) / 2 * (1 + 1e-9), 1e-9))
        cell = np.floor((times - starts[run]) / own_width[run])
    else:
        cell = np.arange(len(times), dtype=float)
    rows = pd.DataFrame({"run": run, "cell": cell, "t": times, "v": values})
    groups = rows.groupby(["run", "cell"], sort=True)
    spread = groups["v"].agg(["min", "median", "max"])
    out = pd.DataFrame(
        {
            "t": groups["t"].mean().to_numpy(),
            "low": spread["min"].to_numpy(),
            "mid": spread["median"].to_numpy(),
            "high": spread["max"].to_numpy(),
            "run": spread.index.get_level_values("run"),
        }
    )
    # The first and the last reading of a run stay where they are, so a gap on the page is as long as it was.
    first, last = ~out["run"].duplicated(keep="first"), ~out["run"].duplicated(keep="last")
    out.loc[first, "t"] = rows.groupby("run")["t"].first().to_numpy()
    several = last & ~first
    ends = rows.groupby("run")["t"].last()
    out.loc[several, "t"] = ends.loc[out.loc[several, "run"]].to_numpy()
    breaks = out.loc[last, ["t", "run"]].iloc[:-1].assign(t=lambda b: b["t"] + 1.0)
    out = pd.concat([out, breaks], ignore_index=True).sort_values(["run", "t"], kind="stable", ignore_index=True)
    return out.drop(columns="run"), width


def height_slices(heights_m, values, slice_m, *, low_share=0.1, high_share=0.9, times_ms=None, least_s=0.0):
    """Readings against height as slices of `slice_m`, with an empty row where a slice has no reading.

    Where the box was seen in a slice for less than `least_s`, slices beside each other are made one; what stays short
    even so has an empty row.

    Parameters
    ----------
    heights_m, values : array_like, shape (n,)
    slice_m : float
        Height of a slice. [m]
    low_share, high_share : float
        Quantiles that bound the band of each slice.
    times_ms : array_like, shape (n,), optional
        When each reading was made; needed for `least_s`.

    Returns
    -------
    pandas.DataFrame
        Columns `h` (mean height of the readings, m), `low`, `mid` (median), `high`, `count`, rising with height.
    """
    if least_s and times_ms is not None:
        dwell_s = _dwell_s(np.asarray(times_ms, dtype=float))
    else:
        dwell_s = np.full(len(heights_m), np.inf)
    kept = np.isfinite(np.asarray(heights_m, dtype=float)) & np.isfinite(np.asarray(values, dtype=float))
    order = np.argsort(np.asarray(heights_m, dtype=float)[kept], kind="stable")
    heights, values = _clean(heights_m, values)
    if not len(heights):
        return pd.DataFrame({"h": [], "low": [], "mid": [], "high": [], "count": []})
    cell = np.floor(heights / slice_m).astype(int)
    place, short = _long_enough(cell, dwell_s[kept][order], least_s)
    inside = set(np.unique(cell).tolist()) - set(np.unique(place).tolist())  # cells that went into the one below
    cell = place
    groups = pd.Series(values).groupby(cell)
    spread = groups.quantile([low_share, 0.5, high_share]).unstack()
    spread.columns = ["low", "mid", "high"]
    spread["count"] = groups.size()
    spread["h"] = pd.Series(heights).groupby(cell).mean()
    spread.loc[spread.index.isin(short), ["low", "mid", "high"]] = np.nan
    full = spread.reindex([n for n in range(cell.min(), cell.max() + 1) if n not in inside])
    alone = full["mid"].isna()
    full = full[~(alone & alone.shift(1, fill_value=False))]  # one empty row breaks a line as well as many do
    full["h"] = full["h"].fillna(pd.Series((full.index.to_numpy() + 0.5) * slice_m, index=full.index))
    return full.reset_index(drop=True)[["h", "low", "mid", "high", "count"]]


def _dwell_s(times_ms):
    """For how long each reading speaks: to the next one, at most `SEEN_S`; shape (n,)."""
    order = np.argsort(times_ms, kind="stable")
    steps = np.diff(times_ms[order], append=times_ms[order][-1:]) / 1000.0
    dwell = np.empty(len(times_ms))
    dwell[order] = np.where(np.isfinite(steps), np.minimum(steps, SEEN_S), 0.0)
    return dwell


def _long_enough(cell, dwell_s, least_s):
    """Cells made one with those above them until each lasts `least_s`; and the cells that are too short even so.

    Parameters
    ----------
    cell : numpy.ndarray of int, shape (n,)
        Rising.
    dwell_s : numpy.ndarray, shape (n,)
    """
    numbers, first = np.unique(cell, return_index=True)
    lasts = np.add.reduceat(dwell_s, first)
    groups: list = []  # [cells, seconds]
    for number, seconds in zip(numbers.tolist(), lasts.tolist(), strict=True):
        beside = bool(groups) and groups[-1][0][-1] == number - 1
        if beside and groups[-1][1] < least_s:
            groups[-1][0].append(number)
            groups[-1][1] += seconds
        else:
            groups.append([[number], seconds])
    for k in range(len(groups) - 1, 0, -1):  # a short rest goes to the one below it
        if groups[k][1] < least_s and groups[k - 1][0][-1] == groups[k][0][0] - 1:
            groups[k - 1][0] += groups[k][0]
            groups[k - 1][1] += groups[k][1]
            del groups[k]
    goal = {number: own[0] for own, _seconds in groups for number in own}
    short = [own[0] for own, seconds in groups if seconds < least_s]
    return np.array([goal[number] for number in numbers.tolist()])[np.searchsorted(numbers, cell)], short


def at_times(times_ms, known_ms, known_values, *, reach_ms=REACH_MS):
    """Values of a one-a-second series at other times, shape (n,); NaN where it has none close by.

    Linear between two neighbours that are at most `reach_ms` apart; never across a longer pause, never beyond the
    ends.
    """
    times_ms = np.asarray(times_ms, dtype=float)
    known, values = _clean(known_ms, known_values)
    if len(known) < 2:
        return np.full(len(times_ms), np.nan)
    right = np.clip(np.searchsorted(known, times_ms, side="left"), 1, len(known) - 1)
    close = known[right] - known[right - 1] <= reach_ms
    inside = (times_ms >= known[right - 1]) & (times_ms <= known[right])
    return np.where(close & inside, np.interp(times_ms, known, values), np.nan)


def _clean(where, values):
    """Both as float arrays, finite readings only, in the order of `where`."""
    where, values = np.asarray(where, dtype=float), np.asarray(values, dtype=float)
    kept = np.isfinite(where) & np.isfinite(values)
    order = np.argsort(where[kept], kind="stable")
    return where[kept][order], values[kept][order]

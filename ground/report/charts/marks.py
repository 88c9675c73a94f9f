"""Rings and crosses: how a chart shows readings that something is known against, and what its caption says of them.

A cross is a reading that says nothing about the world; no line goes through it. A ring sits on a line where it goes
through flagged readings: hours outside a sensor's rated range are a row of rings, which must leave the line to be seen.
"""

import numpy as np

from ground.report import flags

RINGS_MAX = 30  # on one long stretch; twice as many where there are many short ones
CROSSES_MAX = 400  # of one line


def rings(frame, slice_ms, quantity):
    """Which slices of a line carry a ring; shape (n,), bool.

    Each flagged stretch has one at its beginning and its end, those between are evenly spread; of many short stretches
    close to each other not every one has its own.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `series.time_slices`.
    slice_ms : float
        Length of a slice. [ms]
    quantity : ground.report.charts.lines.Quantity
    """
    times = quantity.times_ms[quantity.doubtful]
    times = np.sort(times[np.isfinite(times)])
    middles, reach = frame["t"].to_numpy(), slice_ms / 2 + 1.0
    has = np.searchsorted(times, middles + reach, side="right") > np.searchsorted(times, middles - reach, side="left")
    has &= frame["mid"].notna().to_numpy()
    begins = has & ~np.concatenate([[False], has[:-1]])
    ends = has & ~np.concatenate([has[1:], [False]])
    apart = max(1, -(-len(frame) // RINGS_MAX))
    place = np.arange(len(frame)) - np.maximum.accumulate(np.where(begins, np.arange(len(frame)), 0))
    chosen = np.flatnonzero(has & (ends | (place % apart == 0)))
    return np.isin(np.arange(len(frame)), _apart(chosen, apart // 2))


def _apart(places, least):
    """Rising places without those closer than `least` to the one before; the first and the last one stay."""
    kept: list[int] = []
    for place in places.tolist():
        if not kept or place - kept[-1] >= least or place == places[-1]:
            kept.append(place)
    return kept


def crosses(view, quantities, low, high):
    """Unfit readings as rows. One that lies outside the fit ones sits at the edge and says its value in words."""
    out = []
    for quantity in quantities:
        at = _unfit(quantity)
        for k in at[:: _step(at)]:
            value = float(quantity.values[k])
            out.append(
                {
                    "t": float(view.x([quantity.times_ms[k]])[0]),
                    "v": value if not np.isfinite(low) else min(max(value, low), high),
                    "value": f"{value:g}",
                    "s": quantity.name,
                    "when": view.timeline.clock(quantity.times_ms[k]),
                    "why": flags.words(quantity.flags.iloc[k]),
                }
            )
    return out


def flag_words(quantities):
    """What rings and crosses of a chart are, how many readings and why, for its caption; empty without them."""
    shown = [quantity for quantity in quantities if quantity.flags is not None]
    doubtful = [quantity.doubtful & np.isfinite(quantity.values) for quantity in shown]
    words = ""
    if any(each.any() for each in doubtful):
        names = [quantity.name for quantity, each in zip(shown, doubtful, strict=True) if each.any()]
        whose = f" ({', '.join(names)})" if len(quantities) > 1 else ""
        words = f" Rings: flagged readings that are drawn all the same, {_reasons(shown, doubtful)}{whose}."
    unfit = [_unfit(quantity) for quantity in shown]
    count = sum(len(each) for each in unfit)
    if count:
        thinned = "" if max(_step(each) for each in unfit) == 1 else ", of which not every one is drawn"
        words += (
            f" Crosses: {count:,} flagged {'reading' if count == 1 else 'readings'}, left out of the lines{thinned}: "
            f"{_reasons(shown, unfit)}."
        )
    return words


def _unfit(quantity):
    """Places of the readings that are crosses."""
    return np.flatnonzero(quantity.unfit & np.isfinite(quantity.values) & np.isfinite(quantity.times_ms))


def _step(places):
    return max(1, -(-len(places) // CROSSES_MAX))


def _reasons(quantities, places):
    """Flags of some readings of each quantity in words, the most frequent first."""
    counts: dict[str, int] = {}
    for quantity, each in zip(quantities, places, strict=True):
        for name, count in flags.counts(quantity.flags.iloc[each]).items():
            counts[name] = counts.get(name, 0) + count
    return ", ".join(name.replace("_", " ") for name in sorted(counts, key=lambda name: (-counts[name], name)))

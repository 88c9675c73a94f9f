"""Lines with their bands: readings against time and readings against height, for any quantity.

Against time, a point is the median of a slice and the pale band reaches from the lowest to the highest reading of it.
Against height, the two legs of the flight are told apart.
"""

from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from ground.report import flags
from ground.report.charts.figure import View, hover_share, records, series_scale, symbols, time_axis
from ground.report.charts.marks import crosses, rings
from ground.report.series import SLICES_MAX, height_slices, time_slices
from ground.report.story import STUCK, height_at, leg_at

LEGS = ("ascent", "descent")
HEIGHT_SLICES = 160
CROSS = "M-1,-1L1,1M-1,1L1,-1"


@dataclass
class Quantity:
    """One line to draw: its name in the legend, its places on the time axis [ms], its values and their flags."""

    name: str
    times_ms: np.ndarray
    values: np.ndarray
    flags: pd.Series | None = None
    stuck: bool = False  # whether a frozen reading counts as one that says nothing (a position does)

    @property
    def unfit(self):
        """Readings drawn as crosses."""
        if self.flags is None:
            return np.zeros(len(self.times_ms), bool)
        return flags.has_any(self.flags, flags.UNFIT | STUCK if self.stuck else flags.UNFIT)

    @property
    def doubtful(self):
        """Readings that the line goes through although they are flagged."""
        return np.zeros(len(self.times_ms), bool) if self.flags is None else flags.is_doubtful(self.flags) & ~self.unfit


def time_rows(view: View, quantities, slices_max=SLICES_MAX):
    """Rows of all lines (`flagged`: with a ring), rows of the crosses, and the longest slice [ms]."""
    frames, width = [], 0.0
    for quantity in quantities:
        fit = ~quantity.unfit
        frame, slice_ms = time_slices(quantity.times_ms[fit], quantity.values[fit], slices_max)
        width = max(width, slice_ms)
        frame["flagged"] = rings(frame, slice_ms, quantity)
        frame["hover"] = hover_share(frame) & frame["mid"].notna()
        frame["when"] = view.clocks(frame["t"])
        frame["s"] = quantity.name
        frames.append(frame)
    rows = pd.concat(frames, ignore_index=True)
    low, high = rows["low"].min(), rows["high"].max()
    flagged = crosses(view, quantities, low, high)
    rows["t"] = view.x(rows["t"])
    return records(rows), flagged, width


def time_layers(
    view, data, rows, flagged_rows, names, y_title, *, legend=True, y_zero=False, axis=None, decimals=1, line="mid"
):
    """Band, line, pop-ups and crosses of a chart against time.

    Parameters
    ----------
    data : str
        Name of the rows; the crosses are named `data + "_flagged"`.
    rows, flagged_rows : list of dict
        From `time_rows`.
    names : list of str
        Of the series, in the order of the legend.
    y_title : str
        With its unit in brackets.
    axis : altair.X, optional
        In place of the usual time axis.
    line : str
        What of each slice the line goes through: "mid", its median, or "high", its highest reading.
    """
    colours, dashes = series_scale(names)
    x = axis if axis is not None else time_axis(view)
    y_scale = alt.Scale(zero=y_zero, nice=True)
    key = {"legend": symbols()} if legend and len(names) > 1 else {"legend": None}
    base = alt.Chart(alt.NamedData(data))
    tips = [
        alt.Tooltip("s:N", title="series"),
        alt.Tooltip("when:N", title="when"),
        alt.Tooltip("mid:Q", title="median", format=f",.{decimals}f"),
        alt.Tooltip("low:Q", title="lowest", format=f",.{decimals}f"),
        alt.Tooltip("high:Q", title="highest", format=f",.{decimals}f"),
    ]
    colour = alt.Color("s:N", scale=colours, sort=names, **key)
    layers = [
        base.mark_area(opacity=1, fillOpacity=0.22, interpolate="linear").encode(
            x=x, y=alt.Y("low:Q", title=y_title, scale=y_scale), y2="high:Q", color=colour
        ),
        base.mark_line(strokeWidth=1.8).encode(
            x=x,
            y=alt.Y(f"{line}:Q", title=y_title, scale=y_scale),
            color=colour,
            strokeDash=alt.StrokeDash("s:N", scale=dashes, sort=names, **key),
        ),
        base.transform_filter(alt.datum.hover)
        .mark_point(size=90, opacity=1, fillOpacity=0, filled=True)
        .encode(x=x, y=alt.Y(f"{line}:Q", title=y_title), tooltip=tips),
    ]
    mark: dict[str, Any] = {"filled": False, "opacity": 1, "style": "flagged"}
    if any(row["flagged"] for row in rows):
        layers.insert(
            2,
            base.transform_filter(alt.datum.flagged)
            .mark_point(size=20, strokeWidth=1.2, **mark)
            .encode(x=x, y=alt.Y(f"{line}:Q", title=y_title)),
        )
    if flagged_rows:  # under the lines: hundreds of crosses must not hide what they were left out of
        layers.insert(
            1,
            alt.Chart(alt.NamedData(data + "_flagged"))
            .mark_point(shape=CROSS, size=26, strokeWidth=1.2, **mark)
            .encode(
                x=x,
                y=alt.Y("v:Q", title=y_title),
                tooltip=[
                    alt.Tooltip("s:N", title="series"),
                    alt.Tooltip("when:N", title="when"),
                    alt.Tooltip("value:N", title="flagged reading"),
                    alt.Tooltip("why:N", title="why"),
                ],
            ),
        )
    return layers


def height_rows(view, quantities, slices=HEIGHT_SLICES, *, high_share=0.9, least_s=0.0):
    """Rows against height, told apart by leg; `s` is the quantity, `leg` the leg, `key` both in one.

    `least_s`: how long the box must have been in a slice; where it fell faster, slices are higher.

    Heights are in the view's unit. Empty if the flight has no leg or no height.
    """
    out = []
    top = view.story.gps_top_m or view.story.pressure_top_m or 0.0
    slice_m = _round_up(max(top, 1000.0) / slices)
    for quantity in quantities:
        fit = ~quantity.unfit
        times, values = quantity.times_ms[fit], quantity.values[fit]
        heights, legs = height_at(view.story, view.folder, view.timeline, times), leg_at(view.story, times)
        for leg in LEGS:
            mine = legs == leg
            frame = height_slices(
                heights[mine], values[mine], slice_m, high_share=high_share, times_ms=times[mine], least_s=least_s
            )
            if not len(frame):
                continue
            frame["order"] = np.arange(len(frame))
            frame["h"] /= view.height_unit[1]
            frame["s"], frame["leg"] = quantity.name, leg
            frame["hover"] = hover_share(frame, 120) & frame["mid"].notna()
            out.append(frame)
    return (records(pd.concat(out, ignore_index=True)) if out else []), slice_m


def height_dots(view, quantity, per_leg_max=700):
    """Single readings against height, evenly thinned in each leg: rows `h`, `v`, `leg`, and the largest step."""
    fit = ~quantity.unfit & np.isfinite(quantity.values)
    times, values = quantity.times_ms[fit], quantity.values[fit]
    heights, legs = height_at(view.story, view.folder, view.timeline, times), leg_at(view.story, times)
    out, every = [], 1
    for leg in LEGS:
        mine = np.flatnonzero((legs == leg) & np.isfinite(heights))
        step = max(1, -(-len(mine) // per_leg_max))
        every = max(every, step)
        out.append(
            pd.DataFrame({"h": heights[mine[::step]] / view.height_unit[1], "v": values[mine[::step]], "leg": leg})
        )
    return records(pd.concat(out, ignore_index=True)), every


def height_tip(view):
    """The pop-up line for the height of a point."""
    unit = view.height_unit[0]
    return alt.Tooltip("h:Q", title=f"height [{unit}]", format=".2f" if unit == "km" else ".0f")


def height_title(view):
    """Title of the height axis: it says which altitude is meant."""
    if view.story.height_source == "GPS":
        return f"height above sea level, GPS [{view.height_unit[0]}]"
    return f"pressure altitude [{view.height_unit[0]}]"


def _round_up(slice_m):
    """The next of 10, 20, 50, 100, 200, 500 m."""
    return next((size for size in (10, 20, 50, 100, 200, 500) if size >= slice_m), 1000)

"""What a chart function gives back, and the pieces that the charts share.

A chart refers to its rows by name; the rows travel beside it. That keeps altair's checks quick (it would look at
every row) and lets the page and the PNG share one definition.
"""

import warnings
from dataclasses import dataclass, field
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from ground.report import theme
from ground.report.folder import FlightFolder
from ground.report.story import Story
from ground.report.timeline import Timeline

PNG_WIDTH = 820
LABEL_PX_PER_LETTER = 6.6
RIGHT_MARGIN_PX = 20
NARROWEST_PLOT_PX = 290  # labels of moments must not run into each other on a phone either


@dataclass
class Figure:
    """A chart that can be drawn.

    Attributes
    ----------
    name : str
        Of the PNG, without its ending.
    chart : altair.TopLevelMixin
    rows : dict of str to list of dict
        What `alt.NamedData` names in the chart stand for.
    caption : str
        What to see and where the values come from, for below the chart.
    height_px : int
        Height of one plot.
    columns : int
        How many plots stand side by side where there is room.
    aspect : float or None
        Height over width of the plot, where both axes must have one scale.
    """

    name: str
    chart: Any
    rows: dict
    caption: str
    height_px: int = 320
    columns: int = 1
    aspect: float | None = None


@dataclass
class Missing:
    """A chart that cannot be drawn, and one sentence why."""

    title: str
    reason: str


@dataclass
class View:
    """What every chart function is given: the flight, its time axis, its facts, and the moments to mark."""

    folder: FlightFolder
    timeline: Timeline
    story: Story
    moments: list = field(default_factory=list)  # dicts t, label, kind

    def x(self, times_ms):
        """Times as the charts want them: milliseconds of the day's clock, or minutes from power-up."""
        times_ms = np.asarray(times_ms, dtype=float)
        return np.round(times_ms) if self.timeline.has_utc else np.round(times_ms / 60000, 4)

    def clocks(self, times_ms):
        """Times in words, for the pop-up text of a point."""
        return [self.timeline.clock(moment) for moment in times_ms]

    @property
    def height_unit(self):
        """Unit of height axes and how many metres it has: a bench test on a table is not drawn in kilometres."""
        tops = [top for top in (self.story.gps_top_m, self.story.pressure_top_m) if top is not None]
        return ("km", 1000.0) if max(tops, default=0.0) >= 2000.0 else ("m", 1.0)

    @property
    def length_ms(self):
        return self.timeline.end_ms - self.timeline.start_ms


def records(frame):
    """Rows for Vega: plain floats with few digits, None for NaN."""
    columns = {}
    for name in frame.columns:
        values = frame[name]
        if pd.api.types.is_float_dtype(values):
            rounded = values.astype(float).to_numpy()
            columns[name] = [
                None if not np.isfinite(v) else (int(v) if v == int(v) else float(f"{v:.7g}") if abs(v) < 1e6 else v)
                for v in rounded.tolist()
            ]
        else:
            columns[name] = values.tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def time_axis(view, *, labels=True, title=True):
    """The x channel of a chart against time."""
    if not view.timeline.has_utc:
        return alt.X(
            "t:Q",
            title="minutes since the first power-up [min]" if title else None,
            scale=alt.Scale(nice=False, zero=False),
            axis=alt.Axis(labels=labels, tickCount=8),
        )
    day = pd.Timestamp(int(view.timeline.start_ms), unit="ms").strftime("%Y-%m-%d")
    pattern = "%H:%M" if view.length_ms > 600_000 else "%H:%M:%S"
    return alt.X(
        "t:T",
        title=f"time on {day} [UTC]" if title else None,
        scale=alt.Scale(type="utc", nice=False),
        axis=alt.Axis(format=pattern, labels=labels, tickCount=8),
    )


def moment_rows(view):
    """Rows of the marked moments, each with the line of text (`row`) on which its label has room.

    The first labels win; a moment that fits on none of three lines keeps its mark and loses its label.
    """
    span = max(view.length_ms, 1.0)
    ends = [-np.inf, -np.inf, -np.inf]
    rows = []
    for moment in sorted(view.moments, key=lambda m: m["t"]):
        at_px = (moment["t"] - view.timeline.start_ms) / span * NARROWEST_PLOT_PX
        width_px = len(moment["label"]) * LABEL_PX_PER_LETTER
        to_left = at_px + width_px > NARROWEST_PLOT_PX + RIGHT_MARGIN_PX
        left_px = at_px - width_px if to_left else at_px
        row = next((k for k in range(3) if left_px > ends[k] + 6), None)
        if row is not None:
            ends[row] = left_px + width_px
        rows.append(
            {
                "t": float(view.x([moment["t"]])[0]),
                "label": moment["label"] if row is not None else "",
                "kind": moment["kind"],
                "row": row or 0,
                "left": bool(to_left),
                "when": view.timeline.clock(moment["t"]),
                "what": moment["label"],
            }
        )
    return rows


def moment_layers(view, *, labels=True, axis=None):
    """Upright lines at launch, burst, landing and restarts, with their labels above the plot."""
    rows = moment_rows(view)
    if not rows:
        return []
    data = alt.NamedData("moments")
    x = axis if axis is not None else time_axis(view)
    tips = [alt.Tooltip("what:N", title="what"), alt.Tooltip("when:N", title="when")]
    layers = []
    for kind, dash in (("phase", [1, 0]), ("restart", [3, 3])):
        if any(row["kind"] == kind for row in rows):
            layers.append(
                alt.Chart(data)
                .transform_filter(alt.datum.kind == kind)
                .mark_rule(strokeDash=dash, style="moment", strokeWidth=1.2)
                .encode(x=x, tooltip=tips)
            )
    if labels:
        for row in sorted({row["row"] for row in rows}):
            for left in sorted({r["left"] for r in rows if r["row"] == row}):
                layers.append(
                    alt.Chart(data)
                    .transform_filter((alt.datum.row == row) & (alt.datum.left == left))
                    .mark_text(
                        align="right" if left else "left",
                        baseline="bottom",
                        clip=False,
                        dy=-4 - 14 * row,
                        style="moment-text",
                    )
                    .encode(x=x, y=alt.value(0), text="label:N")
                )
    return layers


def with_zoom(layers, *encodings):
    """The layers, stacked, with axes that wheel and drag move. The page lets them through only after the reader asks.

    Zooming hangs on the last layer: it must be one whose axes both show a quantity. One name for all plots of a figure
    makes them move together.
    """
    zoom = alt.selection_interval(bind="scales", encodings=list(encodings), name="zoom")
    return alt.layer(*layers[:-1], layers[-1].add_params(zoom))


def stacked(plots, columns, *, spacing):
    """Several plots as one figure, one zoom for all."""
    with warnings.catch_warnings():  # altair says that it merged the zooms; that is what we want
        warnings.filterwarnings("ignore", message="Automatically deduplicated selection parameter")
        return alt.concat(*plots, columns=columns, spacing=spacing)


def hover_share(frame, targets_max=240):
    """Which rows of a line carry a pop-up: few enough for a phone, evenly spread."""
    step = max(1, int(np.ceil(len(frame) / targets_max)))
    return (np.arange(len(frame)) % step) == 0


def symbols():
    """A legend that shows lines as lines, also where a band of the same colour lies under them."""
    return alt.Legend(title=None, symbolType="stroke", symbolOpacity=1, symbolFillColor="transparent")


def series_scale(names):
    """Colour and dash channels for a list of series, in a fixed order."""
    names = list(names)
    colours = [theme.SERIES[k % len(theme.SERIES)] for k in range(len(names))]
    dashes = [list(theme.DASHES[k % len(theme.DASHES)]) for k in range(len(names))]
    return alt.Scale(domain=names, range=colours), alt.Scale(domain=names, range=dashes)

"""Temperatures against time and against height: every probe, and the barometer's own thermometer."""

import altair as alt
import numpy as np

from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, series_scale, symbols, with_zoom
from ground.report.charts.lines import (
    Quantity,
    height_rows,
    height_tip,
    height_title,
    time_layers,
    time_rows,
)
from ground.report.charts.marks import flag_words
from ground.report.theme import DASHES

BAROMETER = "barometer's own"


def draw(view):
    lines, note = _lines(view)
    if not lines:
        return [Missing("Temperature", "The folder has no temperature reading.")]
    names = [line.name for line in lines]
    rows, flagged, width = time_rows(view, lines)
    layers = time_layers(view, "temperature", rows, flagged, names, "temperature [°C]")
    chart = with_zoom([*moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Temperature against time")
    )
    first = Figure(
        "temperature_time",
        chart,
        {"temperature": rows, "temperature_flagged": flagged, "moments": moment_rows(view)},
        note + "The outside probe lags behind the air, more so where the air is thin; in sunlight it reads "
        "warmer than the air."
        + (
            f" Each point is the median of {width / 1000:.0f} s, the pale band reaches from "
            "the lowest to the highest reading."
            if width
            else ""
        )
        + flag_words(lines),
    )
    return [first, _against_height(view, lines)]


def _lines(view):
    """One line per probe, and a sentence on what is missing."""
    table, lines = view.folder.tables["temperature"], []
    times = view.timeline.times(table)
    for name in dict.fromkeys(table["probe"].dropna().astype(str)):
        at = (table["probe"].astype(str) == name).to_numpy()
        if np.isfinite(table["temperature_c"].to_numpy()[at]).any():
            lines.append(Quantity(name, times[at], table["temperature_c"].to_numpy()[at], table["flags"][at]))
    note = ""
    if not lines:
        note = "No probe gave a reading. "
    elif len(lines) == 1:
        note = f"Only one probe, {lines[0].name}, gave readings. "
    barometer = view.folder.tables["pressure"]
    if np.isfinite(barometer["temperature_c"]).any():
        lines.append(
            Quantity(
                BAROMETER, view.timeline.times(barometer), barometer["temperature_c"].to_numpy(), barometer["flags"]
            )
        )
    return lines, note


def _against_height(view, lines):
    rows, slice_m = height_rows(view, lines)
    if not rows:
        return Missing("Temperature against height", "There is no ascent or descent with a known height.")
    names = [line.name for line in lines]
    colours, _ = series_scale(names)
    y = alt.Y("h:Q", title=height_title(view), scale=alt.Scale(zero=False))
    base = alt.Chart(alt.NamedData("temperature_height"))
    tips = [
        alt.Tooltip("s:N", title="series"),
        alt.Tooltip("leg:N", title="leg"),
        height_tip(view),
        alt.Tooltip("mid:Q", title="median [°C]", format=".1f"),
    ]
    chart = with_zoom(
        [
            base.mark_line(strokeWidth=1.8).encode(
                y=y,
                x=alt.X("mid:Q", title="temperature [°C]", scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=8)),
                order="order:Q",
                color=alt.Color("s:N", scale=colours, sort=names, legend=symbols()),
                strokeDash=alt.StrokeDash(
                    "leg:N",
                    scale=alt.Scale(domain=["ascent", "descent"], range=[list(DASHES[0]), list(DASHES[1])]),
                    legend=symbols(),
                ),
            ),
            base.transform_filter(alt.datum.hover)
            .mark_point(size=90, opacity=1, fillOpacity=0, filled=True)
            .encode(y=y, x=alt.X("mid:Q", title="temperature [°C]"), tooltip=tips),
        ],
        "x",
        "y",
    ).properties(title=alt.TitleParams("Temperature against height"))
    return Figure(
        "temperature_height",
        chart,
        {"temperature_height": rows},
        f"Medians of each {slice_m} m. Coming down, the box falls through cold air faster than a probe can "
        "follow, so the two legs differ: the ascent is the better thermometer of the air.",
        height_px=400,
    )

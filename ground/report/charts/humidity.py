"""Relative humidity in the box against time, where its barometer measures it."""

import altair as alt
import numpy as np

from ground.report.charts.figure import Figure, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows
from ground.report.charts.marks import flag_words


def draw(view):
    """The figure; nothing at all without a humidity sensor, which few boxes have."""
    table = view.folder.tables["humidity"]
    times, lines = view.timeline.times(table), []
    for name in dict.fromkeys(table["sensor"].dropna().astype(str)):
        at = (table["sensor"].astype(str) == name).to_numpy()
        if np.isfinite(table["humidity_pct"].to_numpy()[at]).any():
            lines.append(Quantity(name, times[at], table["humidity_pct"].to_numpy()[at], table["flags"][at]))
    if not lines:
        return []
    rows, flagged, width = time_rows(view, lines)
    names = [line.name for line in lines]
    layers = time_layers(view, "humidity", rows, flagged, names, "relative humidity [%]", y_zero=True)
    chart = with_zoom([*moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Humidity in the box against time")
    )
    return [
        Figure(
            "humidity_time",
            chart,
            {"humidity": rows, "humidity_flagged": flagged, "moments": moment_rows(view)},
            "Relative to water, also in the cold, and of the air in the box, which is warmer and drier than the air "
            "outside. The sensor gets slow and uncertain below freezing."
            + (f" Line: median of each {width / 1000:.0f} s; band: lowest to highest." if width else "")
            + flag_words(lines),
            height_px=240,
        )
    ]

"""Battery voltage against time."""

import altair as alt
import numpy as np

from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows


def draw(view):
    health = view.folder.tables["health"]
    volts = health["battery_v"].to_numpy()
    if not np.isfinite(volts).any():
        return [Missing("Battery", "The folder has no battery reading.")]
    rows, flagged, width = time_rows(view, [Quantity("battery", view.timeline.times(health), volts)])
    layers = time_layers(view, "battery", rows, flagged, ["battery"], "battery [V]", decimals=2)
    chart = with_zoom([*moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Battery against time")
    )
    return [
        Figure(
            "battery_time",
            chart,
            {"battery": rows, "battery_flagged": flagged, "moments": moment_rows(view)},
            "Measured by the board itself. A cell gives less voltage in the cold and under load; a steep "
            "fall towards the end means that little was left."
            + (f" Line: median of each {width / 1000:.0f} s; band: lowest to highest." if width else ""),
            height_px=240,
        )
    ]

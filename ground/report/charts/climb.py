"""Climb rate against time."""

import altair as alt
import numpy as np

from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows


def draw(view):
    flight = view.folder.flight
    climb = flight["climb_mps"].to_numpy()
    if not np.isfinite(climb).any():
        return [Missing("Climb rate", "The flight table has no climb rate: that needs a height that changes with time.")]
    rows, flagged, width = time_rows(view, [Quantity("climb rate", view.timeline.times(flight), climb)])
    layers = time_layers(view, "climb", flagged, ["climb rate"], "climb rate, upward positive [m/s]")
    zero = alt.Chart(alt.NamedData("zero")).mark_rule(style="reference").encode(y="v:Q")
    chart = with_zoom([zero, *moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Climb rate against time"))
    return [Figure("climb_time", chart, {"climb": rows, "climb_flagged": flagged, "zero": [{"v": 0}],
                                         "moments": moment_rows(view)},
                   "From the flight table, once a second. Just after the burst the fall is fastest, because thin air "
                   "hardly slows a parachute." +
                   (f" Line: median of each {width / 1000:.0f} s; band: lowest to highest." if width else ""))]

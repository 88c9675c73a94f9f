"""Climb rate against time."""

import altair as alt
import numpy as np

from ground.report import flags
from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows
from ground.report.charts.marks import flag_words

BURST_WORDS = " Just after the burst the fall is fastest, because thin air hardly slows a parachute."


def draw(view):
    flight = view.folder.flight
    climb, times = flight["climb_mps"].to_numpy(), view.timeline.times(flight)
    if not np.isfinite(climb).any():
        return [
            Missing("Climb rate", "The flight table has no climb rate: that needs a height that changes with time.")
        ]
    derived = _from_pressure(view)
    lines = [
        Quantity(name, times, np.where(own, climb, np.nan), flags.of_flight(flight["flags"], "climb"))
        for name, own in (("GPS climb rate", ~derived), ("from pressure altitude", derived))
    ]
    lines = [line for line in lines if np.isfinite(line.values).any()]
    rows, flagged, width = time_rows(view, lines)
    layers = time_layers(
        view, "climb", rows, flagged, [line.name for line in lines], "climb rate, upward positive [m/s]"
    )
    zero = alt.Chart(alt.NamedData("zero")).mark_rule(style="reference").encode(y="v:Q")
    chart = with_zoom([zero, *moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Climb rate against time")
    )
    sources = " and ".join(line.name for line in lines)
    return [
        Figure(
            "climb_time",
            chart,
            {"climb": rows, "climb_flagged": flagged, "zero": [{"v": 0}], "moments": moment_rows(view)},
            f"From the flight table, once a second: {sources}."
            + (BURST_WORDS if view.story.burst_ms is not None else "")
            + (f" Line: median of each {width / 1000:.0f} s; band: lowest to highest." if width else "")
            + flag_words(lines),
        )
    ]


def _from_pressure(view):
    """Which seconds have their climb rate from the barometer; shape (n,), bool."""
    flight = view.folder.flight
    clockless = flight["utc"].isna().to_numpy()  # rows of stand_in.py
    return flags.has_any(flight["flags"], frozenset({"climb_from_pressure"})) | clockless

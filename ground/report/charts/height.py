"""Height against time, by both altitudes."""

import altair as alt
import numpy as np

from ground.report import flags
from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows
from ground.report.charts.marks import flag_words
from ground.report.story import gps_heights


def draw(view):
    unit, metres = view.height_unit
    flight = view.folder.flight
    lines = [
        _gps(view, metres),
        Quantity(
            "pressure altitude",
            view.timeline.times(flight),
            flight["pressure_altitude_m"].to_numpy() / metres,
            flags.of_flight(flight["flags"], "pressure"),
        ),
    ]
    lines = [line for line in lines if np.isfinite(line.values).any()]
    if not lines:
        return [Missing("Height against time", "The folder has neither a GPS altitude nor a pressure altitude.")]
    rows, flagged, width = time_rows(view, lines)
    layers = time_layers(
        view,
        "height",
        rows,
        flagged,
        [line.name for line in lines],
        f"height above sea level [{unit}]",
        decimals=3 if unit == "km" else 1,
    )
    chart = with_zoom([*moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Height against time")
    )
    absent = {
        "GPS altitude": "There is no GPS altitude in this flight. ",
        "pressure altitude": "There is no pressure altitude in this flight. ",
    }
    for line in lines:
        absent.pop(line.name)
    return [
        Figure(
            "height_time",
            chart,
            {"height": rows, "height_flagged": flagged, "moments": moment_rows(view)},
            "".join(absent.values())
            + "GPS altitude is the receiver's height above mean sea level. Pressure altitude is the height at which "
            "the standard atmosphere has the measured pressure; on a warm or cold day the two differ by hundreds of "
            "metres high up, and neither is wrong. A line ends where readings end."
            + _slice_words(width)
            + flag_words(lines),
            height_px=360,
        )
    ]


def _gps(view, metres):
    """The fixes' altitudes with their flags; a receiver that repeats itself is drawn as crosses, not as a line."""
    fix = view.folder.tables["fix"]
    if np.isfinite(fix["altitude_m"]).any():
        return Quantity(
            "GPS altitude", view.timeline.times(fix), fix["altitude_m"].to_numpy() / metres, fix["flags"], stuck=True
        )
    times, heights = gps_heights(view.folder, view.timeline)
    return Quantity("GPS altitude", times, heights / metres)


def _slice_words(width_ms):
    return f" Each point stands for {width_ms / 1000:.0f} s." if width_ms else ""

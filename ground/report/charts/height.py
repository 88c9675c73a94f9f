"""Height against time, by both altitudes."""

import altair as alt
import numpy as np

from ground.report.charts.figure import Figure, Missing, moment_layers, moment_rows, with_zoom
from ground.report.charts.lines import Quantity, time_layers, time_rows
from ground.report.story import gps_heights


def draw(view):
    gps_times, gps = gps_heights(view.folder, view.timeline)
    flight_times = view.timeline.times(view.folder.flight)
    pressure = view.folder.flight["pressure_altitude_m"].to_numpy()
    lines = [Quantity(name, times, values / 1000) for name, times, values in (
        ("GPS altitude", gps_times, gps), ("pressure altitude", flight_times, pressure)) if np.isfinite(values).any()]
    if not lines:
        return [Missing("Height against time", "The folder has neither a GPS altitude nor a pressure altitude.")]
    rows, flagged, width = time_rows(view, lines)
    layers = time_layers(view, "height", flagged, [line.name for line in lines], "height above sea level [km]", decimals=3)
    chart = with_zoom([*moment_layers(view), *layers], "x", "y").properties(
        title=alt.TitleParams("Height against time"))
    absent = {"GPS altitude": "There is no GPS altitude in this flight. ",
              "pressure altitude": "There is no pressure altitude in this flight. "}
    for line in lines:
        absent.pop(line.name)
    return [Figure(
        "height_time", chart, {"height": rows, "height_flagged": flagged, "moments": moment_rows(view)},
        "".join(absent.values()) +
        "GPS altitude is the receiver's height above mean sea level. Pressure altitude is the height at which the "
        "standard atmosphere has the measured pressure; on a warm or cold day the two differ by hundreds of metres "
        "high up, and neither is wrong. A line ends where readings end." + _slice_words(width), height_px=360)]


def _slice_words(width_ms):
    return f" Each point stands for {width_ms / 1000:.0f} s." if width_ms else ""

"""Voltage, current and power of each supply channel (the solar panel first): against time and against height."""

import altair as alt
import numpy as np

from ground.report.charts.figure import (
    Figure,
    Missing,
    moment_layers,
    moment_rows,
    series_scale,
    stacked,
    symbols,
    time_axis,
    with_zoom,
)
from ground.report.charts.lines import (
    LEGS,
    Quantity,
    height_dots,
    height_rows,
    height_tip,
    height_title,
    time_layers,
    time_rows,
)
from ground.report.charts.marks import flag_words

# A slice must hold several turns of the box, or its median is only where the panel happened to look.
SLICES, HEIGHT_SLICES, TURN_S = 70, 30, 60.0
COLUMNS = (("bus_v", "voltage [V]", 3), ("current_ma", "current [mA]", 1), ("power_mw", "power [mW]", 0))

TURNING_WORDS = (
    "The box turns under the balloon, so the panel looks at the sun and away from it again and again: the line is what "
    "it gave facing the sun, the band that turning. Where the line dips for a moment, the panel had looked away for so "
    "long. "
)


def draw(view):
    table, figures = view.folder.tables["power"], []
    times = view.timeline.times(table)
    channels = list(dict.fromkeys(table["channel"].dropna().astype(str)))
    for number, name in enumerate(sorted(channels, key=lambda text: (text != "panel", text))):
        at = (table["channel"].astype(str) == name).to_numpy()
        part = table[at].reset_index(drop=True)
        drawn = [entry for entry in COLUMNS if np.isfinite(part[entry[0]]).any()]
        if drawn:
            stem = "panel" if name == "panel" else f"supply_{number + 1}"  # names from a log make no file names
            label = "Panel" if name == "panel" else f"Supply “{name}”"
            figures += [
                _against_time(view, part, times[at], drawn, stem, label),
                _against_height(view, part, times[at], drawn, stem, label),
            ]
    return figures or [Missing("Panel", "The folder has no reading of a panel or another supply.")]


def _against_time(view, part, times, drawn, stem, label):
    plots, rows_by_name, width, marked = [], {"moments": moment_rows(view)}, 0.0, ""
    faces_the_sun = stem == "panel"  # its median is only where it happened to look; another supply's is its usual state
    for k, (column, y_title, decimals) in enumerate(drawn):
        data, last = f"{stem}_{column}", k == len(drawn) - 1
        quantity = Quantity(label, times, part[column].to_numpy(), part["flags"])
        rows, flagged, slice_ms = time_rows(view, [quantity], SLICES)
        width, marked = max(width, slice_ms), marked or flag_words([quantity])
        rows_by_name |= {data: rows, data + "_flagged": flagged}
        axis = time_axis(view, labels=last, title=last)
        layers = time_layers(
            view,
            data,
            rows,
            flagged,
            [label],
            y_title,
            legend=False,
            axis=axis,
            decimals=decimals,
            y_zero=column != "bus_v",
            line="high" if faces_the_sun else "mid",
        )
        plots.append(with_zoom([*moment_layers(view, labels=k == 0, axis=axis), *layers], "x"))
    chart = (
        stacked(plots, 1, spacing=14)
        .resolve_scale(x="shared")
        .properties(title=alt.TitleParams(f"{label} against time"))
    )
    what = "highest reading" if faces_the_sun else "median"
    words = f"Line: {what} of each {width / 1000:.0f} s; pale band: lowest to highest reading in it. " if width else ""
    return Figure(
        f"{stem}_time",
        chart,
        rows_by_name,
        words
        + (TURNING_WORDS if faces_the_sun and view.story.flew else "")
        + "Power is voltage times current, reading by reading."
        + marked,
        height_px=170,
    )


def _against_height(view, part, times, drawn, stem, label):
    plots: list = []
    rows_by_name: dict = {}
    every, slice_m = 1, 0
    colours, dashes = series_scale(LEGS)
    for column, x_title, decimals in drawn:
        quantity = Quantity(label, times, part[column].to_numpy(), part["flags"])
        rows, slice_m = height_rows(view, [quantity], HEIGHT_SLICES, high_share=1.0, least_s=TURN_S)
        if not rows:
            return Missing(f"{label} against height", "There is no ascent or descent with a known height.")
        dots, every = height_dots(view, quantity)
        data = f"{stem}_{column}_height"
        rows_by_name |= {data: rows, data + "_dots": dots}
        base, cloud = alt.Chart(alt.NamedData(data)), alt.Chart(alt.NamedData(data + "_dots"))
        y = alt.Y("h:Q", title=height_title(view), scale=alt.Scale(zero=False))
        x = alt.X("high:Q", title=x_title, scale=alt.Scale(zero=True), axis=alt.Axis(tickCount=5))
        key = {"legend": symbols()}
        colour = alt.Color("leg:N", scale=colours, sort=list(LEGS), **key)
        number = f",.{decimals}f"
        plots.append(
            with_zoom(
                [
                    cloud.mark_circle(size=7, opacity=1, fillOpacity=0.45).encode(
                        y=y, x=alt.X("v:Q", title=x_title), color=colour
                    ),
                    base.mark_line(strokeWidth=2.4).encode(
                        y=y,
                        x=x,
                        order="order:Q",
                        color=colour,
                        strokeDash=alt.StrokeDash("leg:N", scale=dashes, sort=list(LEGS), **key),
                    ),
                    base.transform_filter(alt.datum.hover)
                    .mark_point(size=90, opacity=1, fillOpacity=0, filled=True)
                    .encode(
                        y=y,
                        x=x,
                        tooltip=[
                            alt.Tooltip("leg:N", title="leg"),
                            height_tip(view),
                            alt.Tooltip("high:Q", title=f"highest {x_title}", format=number),
                            alt.Tooltip("mid:Q", title=f"median {x_title}", format=number),
                            alt.Tooltip("count:Q", title="readings"),
                        ],
                    ),
                ],
                "y",
            )
        )
    chart = (
        stacked(plots, len(plots), spacing=22)
        .resolve_scale(y="shared")
        .properties(title=alt.TitleParams(f"{label} against height"))
    )
    thinned = f"every {every}th reading" if every > 1 else "every reading"
    return Figure(
        f"{stem}_height",
        chart,
        rows_by_name,
        f"Line: highest reading of each {slice_m:,} m of height, when the panel looked at the sun; dots: {thinned}. "
        "Going up and coming down are drawn apart, because the sun's height, the temperature and the turning differ. "
        f"Where the box fell through that in less than {TURN_S:.0f} s, which may be less than one of its turns, a "
        "point stands for as many metres as it fell in that time. A lone dip to the left need not be a "
        "lack of sun: the panel may have looked away all that while, or readings may be missing there.",
        height_px=380,
        columns=len(plots),
    )

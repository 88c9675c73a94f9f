"""Voltage, current and power of each supply channel (the solar panel first): against time and against height."""

import altair as alt
import numpy as np

from ground.report.charts.figure import (Figure, Missing, moment_layers, moment_rows, series_scale, symbols, time_axis,
                                         with_zoom)
from ground.report.charts.lines import LEGS, Quantity, height_rows, height_title, time_layers, time_rows

COLUMNS = (("bus_v", "voltage [V]", 3), ("current_ma", "current [mA]", 1), ("power_mw", "power [mW]", 0))


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
            figures += [_against_time(view, part, times[at], drawn, stem, label),
                        _against_height(view, part, times[at], drawn, stem, label)]
    return figures or [Missing("Panel", "The folder has no reading of a panel or another supply.")]


def _against_time(view, part, times, drawn, stem, label):
    plots, rows_by_name, width = [], {"moments": moment_rows(view)}, 0.0
    for k, (column, y_title, decimals) in enumerate(drawn):
        data, last = f"{stem}_{column}", k == len(drawn) - 1
        rows, flagged, slice_ms = time_rows(view, [Quantity(label, times, part[column].to_numpy(), part["flags"])])
        width = max(width, slice_ms)
        rows_by_name |= {data: rows, data + "_flagged": flagged}
        axis = time_axis(view, labels=last, title=last)
        layers = time_layers(view, data, flagged, [label], y_title, legend=False, axis=axis, decimals=decimals, y_zero=column != "bus_v")
        plots.append(with_zoom([*moment_layers(view, labels=k == 0, axis=axis), *layers], "x", name=f"zoom_{k}"))
    chart = alt.vconcat(*plots, spacing=14).resolve_scale(x="shared").properties(
        title=alt.TitleParams(f"{label} against time"))
    words = (f"Line: median of each {width / 1000:.0f} s; pale band: lowest to highest reading in it. " if width else "")
    return Figure(f"{stem}_time", chart, rows_by_name,
                  words + "The box turns under the balloon, so the panel looks at the sun and away from it many times a "
                  "minute: the width of the band is that turning. Power is voltage times current, reading by reading.",
                  height_px=170)


def _against_height(view, part, times, drawn, stem, label):
    plots, rows_by_name = [], {}
    colours, dashes = series_scale(LEGS)
    for k, (column, x_title, decimals) in enumerate(drawn):
        rows, slice_m = height_rows(view, [Quantity(label, times, part[column].to_numpy(), part["flags"])])
        if not rows:
            return Missing(f"{label} against height", "There is no ascent or descent with a known height.")
        data = f"{stem}_{column}_height"
        rows_by_name[data] = rows
        base = alt.Chart(alt.NamedData(data))
        y = alt.Y("h:Q", title=height_title(view), scale=alt.Scale(zero=False))
        key = {"legend": symbols()}
        colour = alt.Color("leg:N", scale=colours, sort=list(LEGS), **key)
        number = f",.{decimals}f"
        plots.append(with_zoom([
            base.mark_area(opacity=1, fillOpacity=0.2, orient="horizontal").encode(
                y=y, x=alt.X("low:Q", title=x_title, scale=alt.Scale(zero=column != "bus_v"), axis=alt.Axis(tickCount=5)), x2="high:Q", color=colour),
            base.mark_line(strokeWidth=1.8).encode(
                y=y, x=alt.X("mid:Q", title=x_title), order="order:Q", color=colour,
                strokeDash=alt.StrokeDash("leg:N", scale=dashes, sort=list(LEGS), **key)),
            base.transform_filter(alt.datum.hover).mark_point(size=90, opacity=1, fillOpacity=0, filled=True).encode(
                y=y, x=alt.X("mid:Q", title=x_title),
                tooltip=[alt.Tooltip("leg:N", title="leg"), alt.Tooltip("h:Q", title="height [km]", format=".2f"),
                         alt.Tooltip("mid:Q", title=f"median {x_title}", format=number),
                         alt.Tooltip("low:Q", title="10 % are below", format=number),
                         alt.Tooltip("high:Q", title="10 % are above", format=number),
                         alt.Tooltip("count:Q", title="readings")]),
        ], "y", name=f"zoom_{k}"))
    chart = alt.concat(*plots, columns=len(plots), spacing=22).resolve_scale(y="shared").properties(
        title=alt.TitleParams(f"{label} against height"))
    return Figure(f"{stem}_height", chart, rows_by_name,
                  f"Line: median of each {slice_m} m of height; pale band: the middle 80 % of the readings there. Going up and "
                  "coming down are drawn apart, because sun height, temperature and turning differ.",
                  height_px=360, columns=len(plots))

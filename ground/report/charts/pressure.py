"""Pressure against height, with the standard atmosphere beside it."""

import altair as alt
import numpy as np
import pandas as pd

from ground.report.charts.figure import Figure, Missing, records, series_scale, symbols, with_zoom
from ground.report.charts.lines import LEGS, Quantity, height_rows, height_tip, height_title

STANDARD = "standard atmosphere"


def draw(view):
    flight, times = view.folder.flight, view.timeline.times(view.folder.flight)
    if not np.isfinite(flight["pressure_hpa"]).any():
        return [Missing("Pressure against height", "The folder has no pressure reading.")]
    if view.story.height_source != "GPS":
        return [
            Missing(
                "Pressure against height",
                "Without GPS altitude there is no height that was not itself computed "
                "from the pressure, so this chart would only show the formula.",
            )
        ]
    rows, slice_m = height_rows(view, [Quantity("pressure", times, flight["pressure_hpa"].to_numpy())])
    if not rows:
        return [Missing("Pressure against height", "There is no ascent or descent with a known height.")]
    lines = [*LEGS, STANDARD]
    colours, dashes = series_scale(lines)
    base = alt.Chart(alt.NamedData("pressure_height"))
    x = alt.X(
        "mid:Q",
        title="pressure [hPa], logarithmic scale",
        scale=alt.Scale(type="log", nice=False),
        axis=alt.Axis(values=[5, 10, 20, 50, 100, 200, 500, 1000], format="~g"),
    )
    y = alt.Y("h:Q", title=height_title(view), scale=alt.Scale(zero=False))
    key = {"legend": symbols()}
    layers = [
        base.mark_line(strokeWidth=1.8).encode(
            x=x,
            y=y,
            order="order:Q",
            color=alt.Color("leg:N", scale=colours, sort=lines, **key),
            strokeDash=alt.StrokeDash("leg:N", scale=dashes, sort=lines, **key),
        ),
        base.transform_filter(alt.datum.hover)
        .mark_point(size=90, opacity=1, fillOpacity=0, filled=True)
        .encode(
            x=x,
            y=y,
            tooltip=[
                alt.Tooltip("leg:N", title="leg"),
                height_tip(view),
                alt.Tooltip("mid:Q", title="median [hPa]", format=".2f"),
            ],
        ),
    ]
    standard = _standard(flight, view.height_unit[1])
    if len(standard):
        layers.insert(
            0,
            alt.Chart(alt.NamedData("standard"))
            .mark_line(strokeWidth=2)
            .encode(
                x=alt.X("p:Q"),
                y=alt.Y("h:Q"),
                order="order:Q",
                color=alt.Color("leg:N", scale=colours, sort=lines, **key),
                strokeDash=alt.StrokeDash("leg:N", scale=dashes, sort=lines, **key),
            ),
        )
    chart = with_zoom(layers, "x", "y").properties(title=alt.TitleParams("Pressure against height"))
    return [
        Figure(
            "pressure_height",
            chart,
            {"pressure_height": rows, "standard": records(standard)},
            f"Medians of each {slice_m} m. On this scale, where equal steps multiply the pressure, air that thins "
            "evenly with height is a straight line. The standard atmosphere is the height that belongs to "
            "a pressure on an average day: where the measured lines draw away from it with height, the air is warmer "
            "(above it) or colder (below it) than that average.",
            height_px=400,
        )
    ]


def _standard(flight, metres):
    """Pressure and the altitude the decoder gave it, about a hundred pairs rising with height."""
    pairs = flight[["pressure_hpa", "pressure_altitude_m"]].dropna().sort_values("pressure_altitude_m")
    if not len(pairs):
        return pd.DataFrame()
    chosen = pairs.iloc[np.unique(np.linspace(0, len(pairs) - 1, 100).astype(int))]
    return pd.DataFrame(
        {
            "p": chosen["pressure_hpa"].to_numpy(),
            "h": chosen["pressure_altitude_m"].to_numpy() / metres,
            "order": np.arange(len(chosen)),
            "leg": STANDARD,
        }
    )

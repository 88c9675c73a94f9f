"""The panel's curves in three lights with load lines over them: where current follows the sun and where it does not."""

import json
from functools import cache

import numpy as np

from hardware_notes.drawings.sheet import INK, POWER, QUIET, SIGNAL, dressed
from hardware_notes.panel_numbers import CURVES, DIODE, LOADS, PANEL

_COLORS = [SIGNAL, POWER, QUIET]
_DASHES = [[1, 0], [8, 4], [2, 3]]
_PLACES = ((4.9, 217.0), (5.75, 120.0), (2.0, 88.0))  # of the curves' names, volts and mA
_VOLTS_MAX = 9.0
_AMPERES_MAX = 0.24


@cache
def draw():
    import altair as alt
    import pandas as pd
    import vl_convert
    from pvlib.pvsystem import i_from_v

    from ground.simulator.solar_cell import curve

    volts = np.linspace(0.0, _VOLTS_MAX, 181)
    lines = []
    for (light, cell), words in CURVES.items():
        amperes = i_from_v(volts, *curve(DIODE, np.full_like(volts, light), np.full_like(volts, cell)))
        lines += [{"v": v, "ma": 1000 * a, "curve": words} for v, a in zip(volts, amperes, strict=True) if a >= -0.02]
    loads, names = [], []
    for ohm, words in LOADS.items():
        end = min(_VOLTS_MAX, _AMPERES_MAX * ohm)
        loads += [{"v": v, "ma": 1000 * v / ohm, "load": f"{ohm:g} Ω"} for v in (0.0, end)]
        names.append({"v": end, "ma": 1000 * end / ohm, "words": f"{ohm:g} Ω: {words}"})
    x = alt.X("v:Q", title="volts across the panel", scale=alt.Scale(domain=[0, _VOLTS_MAX]))
    y = alt.Y("ma:Q", title="current in mA", scale=alt.Scale(domain=[0, 1000 * _AMPERES_MAX]))
    order = list(CURVES.values())
    drawn = (
        alt.Chart(pd.DataFrame(lines))
        .mark_line(strokeWidth=2.5, clip=True)
        .encode(
            x=x,
            y=y,
            color=alt.Color("curve:N", legend=None, scale=alt.Scale(domain=order, range=_COLORS)),
            strokeDash=alt.StrokeDash("curve:N", legend=None, scale=alt.Scale(domain=order, range=_DASHES)),
        )
    )
    straight = alt.Chart(pd.DataFrame(loads)).mark_line(strokeWidth=1.5, color=INK).encode(x=x, y=y, detail="load:N")
    labels = [_words(names, INK, 5, -6)]
    for (v, ma), words, color in zip(_PLACES, order, _COLORS, strict=True):
        labels.append(_words([{"v": v, "ma": ma, "words": words}], color, 0, 0))
    chart = (
        alt.layer(drawn, straight, *labels)
        .properties(width=600, height=340)
        .configure(background="transparent", font="Arial, Helvetica, sans-serif")
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=INK,
            titleColor=INK,
            domainColor=QUIET,
            tickColor=QUIET,
            gridColor=QUIET,
            gridOpacity=0.25,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
        )
    )
    svg = vl_convert.vegalite_to_svg(json.dumps(chart.to_dict()))
    label = f"{PANEL.short_circuit_current_ma:g} mA and {PANEL.open_circuit_voltage_v:g} V"
    says = f"Curves of a panel of {label} in three lights, and the lines of load resistors."
    return dressed(svg, "Panel and load", says)


def _words(rows, color, dx, dy):
    import altair as alt
    import pandas as pd

    mark = alt.Chart(pd.DataFrame(rows)).mark_text(align="left", dx=dx, dy=dy, fontSize=12, color=color, lineBreak="|")
    return mark.encode(x="v:Q", y="ma:Q", text="words:N")

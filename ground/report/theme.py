"""Colours and type of the charts. One chart definition wears either of two coats.

A PNG gets plain colours on white. The page gets CSS variables, so light, dark and print are a matter of its style
sheet alone and no chart is drawn twice. Series are told apart by dash or shape too, never by colour alone.

Colours of series were chosen for this project and checked for the three kinds of colour blindness: see
tests/ground/test_report_theme.py, which simulates them.
"""

FONT = "Liberation Sans, Arial, Helvetica, sans-serif"  # the first one comes with vl-convert: same picture everywhere
SERIES = ("#2277dd", "#dd7700", "#aa6699", "#dd0044")  # each legible on white and on near-black
DASHES = ((1, 0), (6, 3), (2, 2), (8, 2, 2, 2))
HEIGHT_RAMP = ("#5b3fa8", "#1f87c9", "#23a884", "#c9a400")  # low to high
PAPER = {
    "ink": "#1d2730",
    "soft": "#5d6b78",
    "grid": "#dfe4ea",
    "mark": "#8a97a5",
    "flag": "#c23b22",
    "back": "#ffffff",
    "card": "#ffffff",
}
PAGE = {name: f"var(--{name})" for name in PAPER} | {"back": None}
LEFT_AXIS_PX = 58  # every plot begins at the same distance from the left edge, so stacked plots line up


def config(colours):
    """Vega-Lite config for one coat (`PAPER` or `PAGE`)."""
    text = {"font": FONT, "color": colours["ink"]}
    return {
        "background": colours["back"],
        "font": FONT,
        "view": {"stroke": colours["grid"]},
        "title": {
            **text,
            "fontSize": 16,
            "fontWeight": "bold",
            "anchor": "start",
            "frame": "group",
            "offset": 12,
            "subtitleFont": FONT,
            "subtitleFontSize": 12,
            "subtitleColor": colours["soft"],
            "subtitlePadding": 5,
        },
        "axis": {
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 12,
            "titleFontSize": 13,
            "titleFontWeight": "normal",
            "labelColor": colours["ink"],
            "titleColor": colours["ink"],
            "gridColor": colours["grid"],
            "domainColor": colours["mark"],
            "tickColor": colours["mark"],
            "titlePadding": 8,
            "labelOverlap": "greedy",
            "labelSeparation": 6,
        },
        "axisY": {"minExtent": LEFT_AXIS_PX - 18, "maxExtent": LEFT_AXIS_PX - 18, "titleAnchor": "middle"},
        "legend": {
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 13,
            "titleFontSize": 13,
            "orient": "bottom",
            "labelColor": colours["ink"],
            "titleColor": colours["ink"],
            "symbolSize": 220,
            "symbolStrokeWidth": 2.5,
            "labelLimit": 260,
            "symbolType": "stroke",
            "symbolOpacity": 1,
            "titleFontWeight": "normal",
            "columnPadding": 18,
            "gradientStrokeColor": None,
        },
        "text": {"font": FONT, "fontSize": 12, "color": colours["ink"]},
        "rule": {"color": colours["mark"]},
        "line": {"strokeCap": "round", "strokeJoin": "round"},
        "range": {"category": list(SERIES), "ramp": list(HEIGHT_RAMP), "heatmap": list(HEIGHT_RAMP)},
        "style": {
            "moment": {"color": colours["soft"]},
            "moment-text": {"color": colours["soft"]},
            "flagged": {"color": colours["flag"]},
            "reference": {"color": colours["mark"]},
            "halo": {"color": colours["card"], "stroke": colours["card"]},
        },
    }

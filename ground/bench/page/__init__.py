"""bench.html: the record as one page that needs nothing but itself, made to be printed."""

from pathlib import Path

from ground.bench.calibration import QUANTITIES
from ground.bench.finding import NO_GO, NOT_CHECKED, OK, WARNING
from ground.durations import duration_words

HERE = Path(__file__).parent
_ANSWER_WORDS = {
    "station_pressure_hpa": "station pressure [hPa]",
    "qnh_hpa": "QNH [hPa]",
    "elevation_m": "elevation [m]",
    "ice_bath": "in melting ice",
    "thermometer_c": "another thermometer [°C]",
    "warmed": "warmed by hand",
    "panel_volts": "panel by multimeter [V]",
    "panel_ma": "panel by multimeter [mA]",
    "battery_volts": "battery by multimeter, running [V]",
    "battery_rest_volts": "battery by multimeter, at rest [V]",
    "sounder_heard": "sounder heard",
    "led_seen": "LED seen",
    "side_by_side": "thermometers side by side",
    "indoors": "indoors",
}


def render_page(record):
    """The page as text.

    Parameters
    ----------
    record : dict
        As in bench.json.
    """
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
        loader=jinja2.FileSystemLoader(HERE),
    )  # fmt: skip
    findings = record["findings"]
    return environment.get_template("bench.html.j2").render(
        record=record,
        made=record["made_utc"][:16].replace("T", " ") + " UTC",
        listened=duration_words(round(record["run"]["seconds"]) * 1000.0),
        style=Markup((HERE / "bench.css").read_text(encoding="utf-8")),
        against=[one for one in findings if one["verdict"] == NO_GO],
        warnings=[one for one in findings if one["verdict"] == WARNING],
        left_out=[one for one in findings if one["verdict"] == NOT_CHECKED],
        groups=_groups(findings),
        symbols={NO_GO: "✕", WARNING: "!", NOT_CHECKED: "–", OK: "✓"},
        classes={NO_GO: "nogo", WARNING: "warning", NOT_CHECKED: "open", OK: "ok"},
        answers=[(_ANSWER_WORDS[key], _answer(value)) for key, value in record["answers"].items()],
        titles={key: quantity.title for key, quantity in QUANTITIES.items()},
        units={key: quantity.unit for key, quantity in QUANTITIES.items()},
        settings=list(record["settings"]["values"].items()),
    )


def _groups(findings):
    """Findings by subject, in the order in which subjects first come."""
    groups = {}
    for one in findings:
        groups.setdefault(one["subject"], []).append(one)
    return list(groups.items())


def _answer(value):
    if isinstance(value, dict):
        return f"{value['value']:g} ± {value['uncertainty']:.2g}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(value) if isinstance(value, (list, tuple)) else str(value)

"""The panel's live operating point against what the planned load should give, and whether its current follows the sun.

Across a resistor the volts are the current times the ohms, whatever the light: readings that do not fit the planned
load speak of the load, the shunt or the wires. Whether current is in proportion to light depends on where on its curve
the panel works: a large resistor holds it near open circuit, where volts hardly move and the sun's change is lost.
"""

import numpy as np

from ground.bench.checks.power import (
    board_shunt_ohm,
    bus_and_current,
    current_factor,
    current_uncertainty_ma,
    load_tolerance,
)
from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped
from ground.bench.panel_point import TOP_CELL_C, TOP_WM2, follow, light_of, load_for_top

SUBJECT = "solar panel"
POINT, FOLLOWS = "panel's operating point", "current follows the sun"
FOLLOW_MIN = 0.9  # of a 10 % change of the sun at least 9 % must be seen
_READINGS_MIN = 10
_HIGHEST_SHARE = 1.75  # of the label's short-circuit current, with clouds below the top (hardware_notes/panel.md)
_CELL_ABOVE_AIR_C = 10.0  # a panel lying in light; a guess, and the result hardly depends on it below the knee
_LIGHT_WM2_MAX = 1500.0
_PLAIN_FACTORS = (0.01, 0.1, 10.0, 100.0)
_SUN = "A panel in bright sun gets hot, and its load resistor hotter: do not touch, do not lay them on paper or foam. "


def check(evidence, parts):
    """Findings about the operating point and about its place on the curve."""
    part, plan = parts["panel"], evidence.plan.panel
    if not part.is_live:
        return _both("the panel's current sensor gives no live readings; that comes first")
    volts, milliamps = bus_and_current(evidence)
    if len(volts) < _READINGS_MIN:
        return _both("too few readings yet")
    if plan is None:
        do = "Write the [panel] table of a plan: thistledown bench --new-plan FILE, then bench --plan FILE."
        return _both("no plan of panel and load was given", do)
    volt, milliamp = float(np.median(volts)), float(np.median(milliamps)) * current_factor(evidence)
    shunt_ohm = board_shunt_ohm(evidence)
    dark_ma = max(2.0 * current_uncertainty_ma(part.chip, 0.0, shunt_ohm), 0.005 * plan.short_circuit_current_ma)
    measured = f"{volt:.3f} V and {milliamp:.1f} mA at the load"
    if milliamp < -dark_ma:
        return [_reversed(volt, measured), skipped(SUBJECT, FOLLOWS, "the current is negative; that comes first")]
    if milliamp <= dark_ma:
        return _no_current(plan, volt, measured)
    return _loaded(evidence, plan, volt, milliamp, measured)


def _both(why, do=""):
    return [skipped(SUBJECT, POINT, why, do), skipped(SUBJECT, FOLLOWS, why)]


def _reversed(volt, measured):
    if volt > 0.1:
        why = "The volts are right and the current runs backwards: the sensor's inputs (+ and -) are swapped."
        do = "Cover the panel. Swap the wires at the sensor's two inputs: the panel's plus goes to +, the load to -."
    else:
        why = "The current runs backwards and there is no positive voltage: the panel is connected the wrong way round."
        do = "Cover the panel. Swap its plus and minus; the sensor's pins stand no more than 0.3 V the wrong way."
    return Finding(SUBJECT, POINT, NO_GO, measured, "a positive current in light", why, do)


def _no_current(plan, volt, measured):
    if volt > 0.3 * plan.open_circuit_voltage_v:
        return [
            Finding(
                SUBJECT, POINT, NO_GO, measured, f"a current through {plan.load_ohm:g} ohm",
                "There is voltage and no current: nothing is connected as a load, so the panel is at open circuit and "
                "its voltage says next to nothing about the sun.",
                f"Cover the panel. Connect the {plan.load_ohm:g} ohm resistor from the load side of the shunt to "
                "ground, then run again in light.",
            ),
            skipped(SUBJECT, FOLLOWS, "there is no load; that comes first"),
        ]  # fmt: skip
    do = (
        f"Put it in the sun or a hand's breadth under a bright lamp. {_SUN}If it is in light already, one of its wires "
        "is open or its two wires touch."
    )
    return [
        Finding(
            SUBJECT,
            POINT,
            "not checked",
            measured,
            "some light on the panel",
            "The panel gives nothing: it is dark.",
            do,
        ),
        _follows(plan, plan.load_ohm, None),
    ]


def _loaded(evidence, plan, volt, milliamp, measured):
    ohm = 1000.0 * volt / milliamp
    tolerance = load_tolerance(plan, volt)
    expected = f"volts over current = {plan.load_ohm:g} ohm within {100 * tolerance:.0f} %"
    measured += f", which makes {ohm:.3g} ohm"
    common = {"value": ohm, "uncertainty": ohm * 0.02, "unit": "ohm"}
    if abs(ohm / plan.load_ohm - 1.0) > tolerance:
        return [
            _misfit(evidence, plan, ohm, measured, expected, common),
            skipped(SUBJECT, FOLLOWS, "volts and current do not fit the load; that comes first"),
        ]
    cell_c = _air_c(evidence) + _CELL_ABOVE_AIR_C
    light = light_of(plan, volt, milliamp / 1000.0, cell_c, plan.shunt_ohm)
    measured += f"; as in {light:.0f} W/m2" if light < 1e4 else ""
    if light > _LIGHT_WM2_MAX:
        return [
            Finding(
                SUBJECT, POINT, WARNING, measured, f"{expected}, in up to {_LIGHT_WM2_MAX:.0f} W/m2 of light",
                "By its label the panel could give this only in more light than the sun has: the label in the plan is "
                "not this panel's, or several panels are wired together.",
                "Correct the label's values in the plan; panels in parallel add their currents, in series their volts.",
                **common,
            ),
            skipped(SUBJECT, FOLLOWS, "the panel's label is in doubt; that comes first"),
        ]  # fmt: skip
    live = follow(plan, max(light, 1.0), cell_c, ohm + plan.shunt_ohm)
    point = Finding(SUBJECT, POINT, OK, measured, expected, "Volts and current fit the planned load.", **common)
    return [point, _follows(plan, ohm, live)]


def _misfit(evidence, plan, ohm, measured, expected, common):
    factor = ohm / plan.load_ohm
    meter = evidence.answers.panel_ma
    if meter is not None:  # the current is then known, so it is the resistor
        return Finding(
            SUBJECT, POINT, NO_GO, measured, expected,
            f"The multimeter vouches for the current, so the resistor is not {plan.load_ohm:g} ohm "
            f"but about {ohm:.3g}.",
            "Cover the panel, take the resistor off and measure it; put in the planned one, or correct load_ohm in "
            "the plan.",
            **common,
        )  # fmt: skip
    guess = "The load resistor or the shunt is not what the plan says."
    if any(abs(factor / plain - 1.0) < 0.1 for plain in _PLAIN_FACTORS):
        guess = f"The current is off by a factor of {1 / factor:.2g}: that is most often a shunt of another value."
    return Finding(
        SUBJECT, POINT, NO_GO, measured, expected, guess,
        "Measure the current with a multimeter in series and type --panel-ma: that tells which. Or cover the panel, "
        "take the resistor off and measure it; read the marking of the shunt (R100 is 0.1 ohm).", **common,
    )  # fmt: skip


def _air_c(evidence):
    _, celsius = evidence.series("temperature", "temperature_c", probe="outside")
    return float(np.median(celsius)) if len(celsius) else 20.0


def _follows(plan, load_ohm, live):
    top = follow(plan, TOP_WM2, TOP_CELL_C, load_ohm + plan.shunt_ohm)
    worst = top if live is None else min(live, top)
    measured = f"a tenth more sun gives {10 * top:.1f} % more current at the top of the flight"
    if live is not None:
        measured += f", {10 * live:.1f} % here and now"
    expected = f"at least {10 * FOLLOW_MIN:.0f} %"
    common = {"value": worst, "unit": ""}
    if worst >= FOLLOW_MIN:
        return Finding(
            SUBJECT, FOLLOWS, OK, measured, expected,
            f"With {load_ohm:.3g} ohm the panel works where its current is in proportion to the light.", **common,
        )  # fmt: skip
    best = load_for_top(plan, FOLLOW_MIN)
    heat_w = (_HIGHEST_SHARE * plan.short_circuit_current_ma / 1000.0) ** 2 * best
    return Finding(
        SUBJECT, FOLLOWS, WARNING, measured, expected,
        f"With {load_ohm:.3g} ohm the panel works near open circuit, where its voltage hardly moves: the flight would "
        "show the panel's voltage and not the sun.",
        f"Cover the panel and put in a smaller resistor, at most {best:.2g} ohm for this panel, and correct load_ohm "
        f"in the plan. It takes up to {heat_w:.1f} W: choose one that is rated for three times that.", **common,
    )  # fmt: skip

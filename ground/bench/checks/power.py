"""The panel's current sensor against the plan and a multimeter: voltage, current, and the shunt in the settings.

The sensor measures volts across the shunt; the current is those over the shunt that the settings name. So a wrong shunt
makes every current wrong by one factor, and nothing else.
"""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped, with_unit
from ground.bench.statistics import level

SUBJECT = "panel's current sensor"
# INA219 TI SBOS448: current 1 % and 100 uV of offset, bus 1 % and a step of 4 mV; INA226 TI SBOS547: 0.1 % and 10 uV,
# bus 0.1 % and 7.5 mV.
_CHIPS = {"ina219": (0.01, 100e-6, 0.01, 0.004, 0.32), "ina226": (0.001, 10e-6, 0.001, 0.0075, 0.08192)}
_READINGS_MIN = 10
_SAME_SHUNT = 0.06  # resistors and sensors of the home bench agree within this


def check(evidence, parts):
    """Findings about shunt, volts and milliamperes."""
    part = parts["panel"]
    names = ("shunt in the settings", "panel volts by multimeter", "panel current by multimeter")
    if not part.is_live:
        return [
            skipped(SUBJECT, name, "the panel's current sensor gives no live readings; that comes first")
            for name in names
        ]
    volts, milliamps = bus_and_current(evidence)
    if len(volts) < _READINGS_MIN:
        return [skipped(SUBJECT, name, "too few readings yet") for name in names]
    shunt = _shunt(evidence)
    findings = [shunt, _volts(evidence, part, volts)]
    if shunt.verdict == NO_GO:
        findings.append(
            skipped(SUBJECT, names[2], "the shunt in the settings is wrong, so every current is; that comes first")
        )
    else:
        findings.append(_current(evidence, part, volts, milliamps))
    return findings


def bus_and_current(evidence):
    """Good pairs of volts and milliamperes of the panel; shape (n,) each."""
    _, volts = evidence.series("power", "bus_v", channel="panel")
    _, milliamps = evidence.series("power", "current_ma", channel="panel")
    size = min(len(volts), len(milliamps))
    return volts[:size], milliamps[:size]


def board_shunt_ohm(evidence):
    """The shunt that the board reckons with; the settings' where it has not said one."""
    said = evidence.column("channel", "shunt_ohm")
    return float(said[-1]) if len(said) else evidence.settings.panel_shunt_microohm / 1e6


def current_uncertainty_ma(chip, milliamps, shunt_ohm):
    """Data sheet accuracy of a current. [mA]"""
    share, offset_v, _, _, _ = _CHIPS[chip]
    return float(np.hypot(share * milliamps, 1000.0 * offset_v / shunt_ohm))


def current_factor(evidence):
    """True current over the board's, as far as plan and multimeter tell; 1.0 where they agree or nobody knows.

    Nor does a meter count that is alone: shunt and load are not both wrong by one and the same factor.
    """
    panel = evidence.plan.panel
    if panel is not None:
        factor = board_shunt_ohm(evidence) / panel.shunt_ohm
        if abs(factor - 1.0) > _SAME_SHUNT:
            return factor
    meter = evidence.answers.panel_ma
    volts, milliamps = bus_and_current(evidence)
    if meter is None or not len(milliamps) or fits_load(panel, volts, milliamps):
        return 1.0
    milliamp = float(np.median(milliamps))
    return abs(meter.value / milliamp) if abs(milliamp) > 0.1 and abs(meter.value) > 0.1 else 1.0


def load_tolerance(panel, volt):
    """How far volts over current may be from the planned load; as a share. Resistor, shunt, and steps at low volts."""
    return panel.load_tolerance_pct / 100.0 + 0.03 + 0.012 / max(volt, 0.012)


def fits_load(panel, volts, milliamps):
    """Whether the board's own volts and milliamperes make the planned load; False without a plan or in the dark."""
    if panel is None:
        return False
    volt, milliamp = float(np.median(volts)), float(np.median(milliamps))
    if volt <= 0.05 or milliamp <= 0.1:
        return False
    return abs(1000.0 * volt / milliamp / panel.load_ohm - 1.0) <= load_tolerance(panel, volt)


def _shunt(evidence):
    panel, board = evidence.plan.panel, board_shunt_ohm(evidence)
    name = "shunt in the settings"
    if panel is None:
        return skipped(
            SUBJECT, name, "the plan names no shunt", "Write the [panel] table of a plan (bench --new-plan FILE)."
        )
    measured, expected = f"{board:g} ohm", f"{panel.shunt_ohm:g} ohm, as the plan says"
    common = {"value": board, "unit": "ohm"}
    if abs(board / panel.shunt_ohm - 1.0) <= _SAME_SHUNT:
        return Finding(SUBJECT, name, OK, measured, expected, "Settings and plan name the same shunt.", **common)
    factor = board / panel.shunt_ohm
    return Finding(
        SUBJECT, name, NO_GO, measured, expected,
        f"Every current would be logged {_times(1.0 / factor)} the true one.",
        "Read the marking of the shunt (R100 is 0.1 ohm, R010 is 0.01 ohm) and correct panel_shunt_microohm = "
        f"{panel.shunt_ohm * 1e6:.0f} in the settings, or shunt_ohm in the plan.", **common,
    )  # fmt: skip


def _volts(evidence, part, volts):
    name, meter = "panel volts by multimeter", evidence.answers.panel_volts
    mean, scatter = level(volts)
    share, step = _CHIPS[part.chip][2:4]
    own = float(np.hypot(share * mean, step))
    measured = with_unit(mean, own, "V", 3)
    common = {"value": mean, "uncertainty": own, "unit": "V"}
    if meter is None:
        return Finding(
            SUBJECT, name, "not checked", measured, "a multimeter's reading", "Nobody typed one in.",
            "Measure volts across the load resistor, panel in steady light, and type --panel-volts.", **common,
        )  # fmt: skip
    allowed = 2.0 * float(np.sqrt(own**2 + meter.uncertainty**2 + scatter**2))
    expected = f"{meter.value - allowed:.3f} to {meter.value + allowed:.3f} V by the multimeter"
    if abs(mean - meter.value) <= allowed:
        return Finding(SUBJECT, name, OK, measured, expected, "Both show the same.", **common)
    return Finding(
        SUBJECT, name, NO_GO if abs(mean - meter.value) > 3 * allowed else WARNING, measured, expected,
        f"The board reads {mean - meter.value:+.3f} V against the multimeter.",
        "Was the light steady? Measure at the load side of the shunt, against the board's ground, and run again. If "
        "it stays, the sensor's ground wire is loose or the sensor is damaged.", **common,
    )  # fmt: skip


def _current(evidence, part, volts, milliamps):
    name, meter = "panel current by multimeter", evidence.answers.panel_ma
    mean, scatter = level(milliamps)
    shunt = board_shunt_ohm(evidence)
    own = current_uncertainty_ma(part.chip, mean, shunt)
    measured = with_unit(mean, own, "mA", 1)
    common = {"value": mean, "uncertainty": own, "unit": "mA"}
    if meter is None:
        return Finding(
            SUBJECT, name, "not checked", measured, "a multimeter's reading", "Nobody typed one in.",
            "Put the multimeter (mA range) in series between panel and shunt and type --panel-ma. Never across the "
            "panel or a battery: in the mA range it is a short circuit.", **common,
        )  # fmt: skip
    allowed = 2.0 * float(np.sqrt(own**2 + meter.uncertainty**2 + scatter**2))
    expected = f"{meter.value - allowed:.1f} to {meter.value + allowed:.1f} mA by the multimeter"
    if abs(mean - meter.value) <= allowed:
        return Finding(SUBJECT, name, OK, measured, expected, "Both show the same.", **common)
    if mean * meter.value < 0:
        return skipped(SUBJECT, name, "the signs differ, see the panel's operating point")
    ratio = mean / meter.value if meter.value else float("inf")
    if abs(ratio - 1.0) < 0.1:
        return Finding(
            SUBJECT, name, WARNING, measured, expected,
            f"The board reads {100 * (ratio - 1):+.1f} % against the multimeter.",
            "Was the light steady? Run again; if it stays, keep it as a calibration point (--calibrate current).",
            **common,
        )  # fmt: skip
    if fits_load(evidence.plan.panel, volts, milliamps):
        return Finding(
            SUBJECT, name, WARNING, measured, expected,
            f"The board's own volts and milliamperes make the planned {evidence.plan.panel.load_ohm:g} ohm, so its "
            "shunt and the load are right, and the multimeter's number is the odd one out.",
            "Measure again, in the same steady light: mA range, in series between panel and shunt. Then type "
            "--panel-ma anew.", **common,
        )  # fmt: skip
    return Finding(
        SUBJECT, name, NO_GO, measured, expected,
        f"The board reads {_times(ratio)} what the multimeter does: the shunt is not {shunt:g} ohm but about "
        f"{shunt * ratio:.3g}.",
        "Read the marking of the shunt (R100 is 0.1 ohm, R010 is 0.01 ohm) and correct panel_shunt_microohm in the "
        "settings and shunt_ohm in the plan.", **common,
    )  # fmt: skip


def _times(ratio):
    return f"{ratio:.2g} times"

"""The battery: its volts against the plan and a multimeter, and how far it gives way under the board's load."""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped, with_unit

SUBJECT = "battery"
CHARGE, DIVIDER, LOAD = "battery charge", "battery volts by multimeter", "battery under load"
_DIVIDER_SHARE = 0.03  # two resistors of 1 % and the converter's reference; common practice, no source
_LOW, _FLAT = 0.6, 0.25  # shares of the way from empty to full
_LITHIUM = (
    "Lithium AA cells are never charged. Lithium-ion cells: charge only above 0 °C, on something that does not burn, "
    "never alone; none that is swollen, dented or below its lowest voltage."
)


def check(evidence, parts):
    """Findings about charge, divider and load."""
    mine = evidence.column("health", "boot") == evidence.boot
    volts = evidence.column("health", "battery_v")[mine]
    volts = volts[np.isfinite(volts)]
    if not parts["battery"].is_live or len(volts) < 2:
        return [_no_divider(evidence, len(volts)), *[skipped(SUBJECT, name, "the board cannot see the battery")
                                                   for name in (DIVIDER, LOAD)]]  # fmt: skip
    divider = _divider(evidence, volts)
    if divider.verdict == NO_GO:
        why = "the board reads the battery wrong; that comes first"
        return [skipped(SUBJECT, CHARGE, why), divider, skipped(SUBJECT, LOAD, why)]
    return [_charge(evidence, volts), divider, _load(evidence, volts)]


def _no_divider(evidence, count):
    if not count:
        return skipped(SUBJECT, CHARGE, "the board has not reported its health yet", "Let it run for ten seconds more.")
    return Finding(
        SUBJECT, CHARGE, NO_GO, "the divider reads nothing", "the battery's voltage",
        "The pin sees no battery: its switch is off, it is not connected, its fuse is gone, or the divider's upper "
        "resistor is open.",
        "Switch it on. Still nothing: measure at the battery, then at GPIO "
        f"{evidence.settings.battery_pin}: about half of it, and never more than 3.3 V.",
    )  # fmt: skip


def _charge(evidence, volts):
    now = float(np.median(volts[-5:]))
    own = _DIVIDER_SHARE * now
    measured = with_unit(now, own, "V", 2) + ", board running"
    common = {"value": now, "uncertainty": own, "unit": "V"}
    plan = evidence.plan.battery
    if plan is None:
        return Finding(SUBJECT, CHARGE, "not checked", measured, "the plan's voltages", "No battery was planned.",
                       "Write the [battery] table of a plan (bench --new-plan FILE).", **common)  # fmt: skip
    span_v = plan.full_v - plan.empty_v
    low, flat = plan.empty_v + _LOW * span_v, plan.empty_v + _FLAT * span_v
    expected = f"{low:.2f} to {plan.full_v * 1.03:.2f} V"
    if now > plan.full_v * 1.05:
        return Finding(
            SUBJECT, CHARGE, NO_GO, measured, expected,
            "More than a full pack has: another battery than the plan's, or battery_full_scale_mv in the settings is "
            "wrong.",
            "Measure at the battery and type --battery-volts; then correct the plan or the settings.", **common,
        )  # fmt: skip
    if now >= low:
        return Finding(SUBJECT, CHARGE, OK, measured, expected, "Charged.", **common)
    return Finding(
        SUBJECT, CHARGE, NO_GO if now < flat else WARNING, measured, expected,
        "Not enough is left for a flight: in the cold a cell gives half or less of what it holds, and the board stops.",
        f"Take fresh cells, or charge those that are made for it, and run again. {_LITHIUM}", **common,
    )  # fmt: skip


def _divider(evidence, volts):
    now, meter = float(np.median(volts[-5:])), evidence.answers.battery_volts
    measured = with_unit(now, _DIVIDER_SHARE * now, "V", 2)
    common = {"value": now, "uncertainty": _DIVIDER_SHARE * now, "unit": "V"}
    if meter is None:
        return Finding(SUBJECT, DIVIDER, "not checked", measured, "a multimeter's reading", "Nobody typed one in.",
                       "Measure at the battery's terminals while the board runs and type --battery-volts. Do not let "
                       "the probes touch each other.", **common)  # fmt: skip
    allowed = float(np.hypot(_DIVIDER_SHARE * meter.value, 2 * meter.uncertainty))
    expected = f"{meter.value - allowed:.2f} to {meter.value + allowed:.2f} V by the multimeter"
    if abs(now - meter.value) <= allowed:
        return Finding(SUBJECT, DIVIDER, OK, measured, expected, "Both show the same.", **common)
    right = evidence.settings.battery_full_scale_mv * meter.value / now
    return Finding(
        SUBJECT, DIVIDER, NO_GO, measured, expected,
        "The board reads its battery wrong, so nobody would see it run down.",
        f"If the divider is as planned, set battery_full_scale_mv = {right:.0f} in the settings; else check its two "
        "resistors. The pin must never see more than 3.3 V.", **common,
    )  # fmt: skip


def _load(evidence, volts):
    rest, plan = evidence.answers.battery_rest_volts, evidence.plan.battery
    lowest = float(np.min(volts))
    if rest is None:
        return skipped(
            SUBJECT, LOAD, f"lowest {lowest:.2f} V in this run; nobody typed in the voltage at rest",
            "Switch the board off, wait a minute, measure at the battery and type --battery-rest-volts.",
        )  # fmt: skip
    most = plan.sag_v_max if plan is not None else 0.08 * rest.value
    sag = rest.value - lowest
    own = float(np.hypot(rest.uncertainty, 0.01 * lowest))
    measured, expected = with_unit(sag, own, "V", 2) + " lower than at rest", f"up to {most:.2f} V"
    common = {"value": sag, "uncertainty": own, "unit": "V"}
    if sag <= most + own:
        return Finding(SUBJECT, LOAD, OK, measured, expected, "It holds its voltage.", **common)
    return Finding(
        SUBJECT, LOAD, NO_GO if sag > 2 * most else WARNING, measured, expected,
        "It gives way under a load that is the same all flight; in the cold it gives way several times as far.",
        "Warm it to room temperature and run again. If it stays: fresh cells, thicker wires, clean contacts. "
        f"{_LITHIUM}",
        **common,
    )  # fmt: skip

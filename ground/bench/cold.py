"""A cold and endurance run: hours in a freezer, judged from the log afterwards.

What a freezer shows and a table does not: cells that give way, plugs that open when plastic shrinks, a clock that
drifts with the cold, thermometers that part. The box lies still and sealed in a bag against frost; it has no sky, so
the clock is judged only where the log knows UTC. The thermometers are compared where they lay in a steady cold: when
the box warms up in its bag afterwards, the outside one leads.
"""

from itertools import pairwise

import numpy as np

from ground.bench import flights
from ground.bench.checks.thermometers import ACCURACY_C
from ground.bench.cold_choice import COLD_C, boots_of, coldest_c, hours, power_ups
from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped
from ground.bench.judge import Judgement

SUBJECT = flights.SUBJECT
_HOURS_MIN = 2.0
_GAP_PERIODS = 10
_GAP_S_MIN = 10.0
_SETTLED_C_PER_MIN = 0.1
_SETTLED_MIN = 10
_LANDED = 3  # a phase event's first number
_TABLES = {
    "barometer": ("pressure", {}, "pressure_period_ms"),
    "outside thermometer": ("temperature", {"probe": "outside"}, "temperature_period_ms"),
    "inside thermometer": ("temperature", {"probe": "inside"}, "temperature_period_ms"),
    "panel's current sensor": ("power", {"channel": "panel"}, "panel_period_ms"),
    "board's own health": ("health", {}, "health_period_ms"),
}


def judge_cold(evidence, integrity, flown=()):
    """Findings about a log of a cold run.

    Parameters
    ----------
    evidence : Evidence
        With the tables of the run, all its boots; see cold_choice.py.
    integrity : dict
        As in integrity.json, of these boots.
    flown : sequence of str
        Names of other logs on the card that are flights.

    Returns
    -------
    Judgement
    """
    findings = [
        *flights.check(evidence, flown), _duration(evidence), _restarts(evidence), _lost(integrity), *_gaps(evidence),
        _battery(evidence), _agreement(evidence), _clock(integrity), _card(evidence),
    ]  # fmt: skip
    return Judgement(tuple(findings))


def _temperatures(evidence, probe):
    values = evidence.column("temperature", "temperature_c")
    keep = evidence.good("temperature") & evidence.rows("temperature", probe=probe) & np.isfinite(values)
    return evidence.column("temperature", "t_ms")[keep], values[keep]


def _duration(evidence):
    ran = hours(evidence)
    coldest = coldest_c(evidence)
    measured = f"{ran:.1f} hours in {power_ups(boots_of(evidence))}"
    measured += f", down to {coldest:.0f} °C" if np.isfinite(coldest) else ", and no thermometer spoke"
    expected = f"{_HOURS_MIN:g} hours or more, down to {COLD_C:g} °C"
    if ran >= _HOURS_MIN and coldest <= COLD_C:
        return Finding(
            SUBJECT, "long and cold enough", OK, measured, expected, "As long as a flight, as cold as a freezer."
        )
    return Finding(
        SUBJECT, "long and cold enough", WARNING, measured, expected,
        "A flight lasts some three hours, most of them far colder than a freezer; a shorter or warmer run proves "
        "little.",
        "Put the box, running, into a bag without air and into the freezer for a night's sleep. Not in the box with "
        "food; let it warm up in the bag afterwards, or water condenses on the board. Do not charge cells that are "
        "cold.",
    )  # fmt: skip


def _restarts(evidence):
    causes = {}
    for boot, cause in zip(evidence.column("boot", "boot"), evidence.column("boot", "cause"), strict=True):
        causes[boot] = int(cause)
    later = [cause for boot, cause in sorted(causes.items())][1:]
    if not later:
        return Finding(SUBJECT, "restarts", OK, "none", "none", "The board ran through.")
    own = sum(cause in (2, 3) for cause in later)
    return Finding(
        SUBJECT, "restarts", NO_GO, f"{len(later)}, of which {own} by the board itself", "none",
        "The board lost its supply or gave up and started again."
        if own < len(later) else "An error made the board start again.",
        "If you switched it off and on in the cold yourself, repeat the run and leave it on. Else: fresh cells, "
        "thicker supply wires, plugs that hold in the cold; look at the notes in the log for the board's last words.",
    )  # fmt: skip


def _lost(integrity):
    missing, good = integrity["frames_missing"], integrity["frames_ok"]
    bad = integrity["frames_bad"]
    share = missing / max(missing + good, 1)
    measured = f"{missing} of {missing + good} records missing, {bad} damaged"
    expected = "none (one in ten thousand is let pass)"
    if share <= 1e-4 and bad == 0:
        return Finding(
            SUBJECT, "records on the card", OK, measured, expected, "Everything that was written can be read."
        )
    return Finding(
        SUBJECT, "records on the card", NO_GO if share > 0.01 or bad > 10 else WARNING, measured, expected,
        "The card lost records or gave them back hurt, in the cold or at all.",
        "Run again with a new card. Look in integrity.json of the decoded log for where they are missing.",
    )  # fmt: skip


def _gaps(evidence):
    findings = []
    for title, (table, equal, key) in _TABLES.items():
        name = f"gaps of the {title}"
        period_s = getattr(evidence.settings, key) / 1000.0
        if table not in evidence.tables:
            findings.append(skipped(SUBJECT, name, "it is not in the log"))
            continue
        mine = evidence.rows(table, **equal)
        times, boots = evidence.column(table, "t_ms")[mine], evidence.column(table, "boot")[mine]
        gaps = [(float("inf"), max(_GAP_PERIODS * period_s, _GAP_S_MIN))] if not len(times) else []
        for boot in np.unique(boots):
            ends = np.sort(times[boots == boot])
            if boot == evidence.boot:
                ends = np.append(ends, evidence.last_ms)
            allowed_s = np.maximum(_GAP_PERIODS * period_s * _slower(evidence, boot, ends[1:]), _GAP_S_MIN)
            gaps += zip(np.diff(ends) / 1000.0, allowed_s, strict=True)
        worst, allowed_s = max(gaps, key=lambda gap: gap[0] / gap[1])
        measured = f"longest {worst:.0f} s" if np.isfinite(worst) else "no reading at all"
        expected = f"up to {allowed_s:.0f} s"
        if worst <= allowed_s:
            findings.append(Finding(SUBJECT, name, OK, measured, expected, "It spoke all the time."))
            continue
        findings.append(Finding(
            SUBJECT, name, NO_GO, measured, expected,
            "It fell silent in the cold: a plug or joint that opens when things shrink, or a part that is not made "
            "for it.",
            "Look when it was and how cold (decode the card and look at the report). Press its plug home, solder its "
            "wires again, and repeat the run. If only this part fails again, replace it.",
        ))  # fmt: skip
    return findings


def _slower(evidence, boot, times_ms):
    """How many times slower the board measures at these moments than its settings say: once it has landed."""
    told = evidence.rows("event", name="phase")
    if len(told):
        told &= evidence.column("event", "boot") == boot
    moments, phases = evidence.column("event", "t_ms")[told], evidence.column("event", "a")[told]
    order = np.argsort(moments, kind="stable")
    newest = np.searchsorted(moments[order], times_ms, side="right") - 1
    landed = np.append(phases[order] == _LANDED, False)[newest]  # -1, before the first event: not landed
    return np.where(landed, evidence.settings.landed_period_factor, 1)


def _battery(evidence):
    volts = evidence.column("health", "battery_v")
    volts = volts[np.isfinite(volts)]
    plan, name = evidence.plan.battery, "battery in the cold"
    if not len(volts):
        return skipped(SUBJECT, name, "the log has no battery voltages")
    lowest, first = float(np.percentile(volts, 1)), float(np.median(volts[: max(len(volts) // 20, 1)]))
    ran = hours(evidence)
    measured = f"{first:.2f} V at the start, {lowest:.2f} V at the lowest, in {ran:.1f} hours"
    common = {"value": lowest, "unit": "V"}
    if plan is None:
        return Finding(SUBJECT, name, "not checked", measured, "the plan's voltages", "No battery was planned.",
                       "Write the [battery] table of a plan (bench --new-plan FILE).", **common)  # fmt: skip
    floor = plan.empty_v + 0.15 * (plan.full_v - plan.empty_v)
    expected = f"never below {floor:.2f} V"
    if lowest >= floor:
        return Finding(SUBJECT, name, OK, measured, expected, "It carries the board through the cold.", **common)
    return Finding(
        SUBJECT, name, NO_GO, measured, expected,
        "In a flight it would be colder still: the pack is too small, too old, or not made for the cold.",
        "Fresh cells of a chemistry for the cold, more of them, or more foam around them. Charge nothing that is "
        "below 0 °C.", **common,
    )  # fmt: skip


def _agreement(evidence):
    """Once settled, outside and inside lie in the same cold; the inside one is warmer by the board's own heat."""
    name = "thermometers in the cold"
    series = {probe: _temperatures(evidence, probe) for probe in ("outside", "inside")}
    if any(len(values) < 20 for _, values in series.values()):
        return skipped(SUBJECT, name, "fewer than two thermometers have readings")
    # second differences: a steady cooling is no noise
    noise = {probe: float(np.percentile(np.abs(np.diff(values, 2)), 99)) for probe, (_, values) in series.items()}
    rough = max(noise, key=lambda probe: noise[probe])
    accuracy = ACCURACY_C[getattr(evidence.settings, f"probe_{rough}_chip")]
    settled = _settled(evidence)
    still = f"settled at outside {settled[0]:.1f} °C, inside {settled[1]:.1f} °C" if settled else "never settled"
    measured = f"{still}; jumps of up to {noise[rough]:.2f} °C"
    expected = f"inside no colder than outside by more than {2 * accuracy:g} °C, jumps up to {2 * accuracy:g} °C"
    if noise[rough] > 2 * accuracy:
        return Finding(
            SUBJECT, name, WARNING, measured, expected, f"The {rough} thermometer jumps about in the cold.",
            "Solder its wires again and repeat the run; if it stays, replace it.",
        )  # fmt: skip
    if settled is None:
        return skipped(SUBJECT, name, f"no {2 * _SETTLED_MIN} minutes in which both lay in a steady temperature",
                       "Let the box lie still for some hours, running.")  # fmt: skip
    outside, inside = settled
    if inside < outside - 2 * accuracy:
        return Finding(
            SUBJECT, name, WARNING, measured, expected,
            "The board warms the box, so inside cannot be the colder one: one is wrong in the cold, or the two are "
            "swapped.",
            "Run bench --warmed outside to see which is which; then an ice bath for both.",
        )  # fmt: skip
    return Finding(SUBJECT, name, OK, measured, expected, "Both go on measuring in the cold.")


def _settled(evidence):
    """Both thermometers, outside first, in the coldest stretch in which neither moved; None without one. [°C]"""
    stretches = []
    for probe in ("outside", "inside"):
        times, values = evidence.series("temperature", "temperature_c", probe=probe)
        numbers = (times // (_SETTLED_MIN * 60_000)).astype(int)
        stretches.append({number: float(np.median(values[numbers == number])) for number in np.unique(numbers)})
    shared = sorted(stretches[0].keys() & stretches[1].keys())
    limit = _SETTLED_C_PER_MIN * _SETTLED_MIN
    still = [
        tuple(one[number] for one in stretches)
        for before, number in pairwise(shared)
        if number == before + 1 and all(abs(one[number] - one[before]) <= limit for one in stretches)
    ]
    return min(still, key=sum, default=None)


def _clock(integrity):
    name = "clock in the cold"
    rates = [boot["clock_rate_ppm"] for boot in integrity["boots"] if boot.get("clock_rate_ppm") is not None
             and boot.get("utc_basis")]  # fmt: skip
    if not rates:
        return skipped(SUBJECT, name, "without sky the log knows no UTC to compare with",
                       "Put the box at a cold window with sky, or let it get a fix before and after.")  # fmt: skip
    worst = max(rates, key=abs)
    measured, expected = f"{abs(worst):.0f} ppm {'slow' if worst > 0 else 'fast'}", "within 200 ppm of UTC"
    common = {"value": worst, "unit": "ppm"}
    if abs(worst) <= 200.0:
        return Finding(SUBJECT, name, OK, measured, expected, "It keeps time in the cold.", **common)
    return Finding(
        SUBJECT, name, WARNING, measured, expected, f"It drifts by {abs(worst) * 3.6e-3:.1f} s an hour.",
        "Decoding corrects a steady drift by the receiver's time; without a fix it cannot. Try another board.",
        **common,
    )  # fmt: skip


def _card(evidence):
    name, limit = "card in the cold", evidence.plan.limits.card_write_ms_max
    writes = evidence.column("health", "card_write_max_ms")[1:]
    errors = evidence.column("health", "card_errors")
    if not len(writes):
        return skipped(SUBJECT, name, "the log has no times of card writes")
    worst = float(writes.max())
    measured, expected = f"worst write {worst:.0f} ms, {errors.max():.0f} failed", f"up to {limit:.0f} ms, none failed"
    common = {"value": worst, "unit": "ms"}
    if worst <= limit and errors.max() == 0:
        return Finding(SUBJECT, name, OK, measured, expected, "Quick enough in the cold.", **common)
    return Finding(
        SUBJECT, name, NO_GO if errors.max() > 0 or worst > 2 * limit else WARNING, measured, expected,
        "The card does not like the cold.", "Take one that is rated to -25 °C or colder, and repeat the run.", **common,
    )  # fmt: skip

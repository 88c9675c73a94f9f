"""Thermometers: plausible, quiet, in agreement with each other, right in melting ice, and each in its own place.

Melting ice is 0.00 C within a few thousandths (it was the zero of the Celsius scale; ITS-90 puts it there within that);
a kitchen's crushed ice in tap water, stirred, is within 0.2 C of it: common practice, no source.
"""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped, with_unit
from ground.bench.statistics import level, noise

SUBJECT = "thermometers"
# Accuracy around room temperature and 0 C: DS18B20 Maxim 19-7487, TMP117 TI SNOSD82. [C]
ACCURACY_C = {"ds18b20": 0.5, "tmp117": 0.1}
# One reading to the next: a DS18B20 counts sixteenths of a degree and its sheet states no noise; a TMP117 counts 1/128
# and is stated to repeat within one count. A few counts for both, for the air around them moves. [C]
NOISE_C = {"ds18b20": 0.15, "tmp117": 0.06}
_STEP_C = {"ds18b20": 1 / 16, "tmp117": 1 / 128}
BATH_C = 0.2
_NEAR_ICE_C = 2.0
_WARM_C = 1.5  # a finger makes ten, a passing draught less than one
_BENCH_C = (-40.0, 60.0)
_READINGS_MIN = 5


def check(evidence, parts):
    """Findings for each thermometer and for all of them together."""
    speaking, findings = {}, []
    for place in ("outside", "inside"):
        part = parts[place]
        times, celsius = evidence.series("temperature", "temperature_c", probe=place)
        if not part.is_live or len(celsius) < _READINGS_MIN:
            why = (
                f"the {place} thermometer gives no readings; that comes first"
                if not part.is_live
                else "too few readings yet"
            )
            findings.append(skipped(SUBJECT, f"{place} temperature", why))
        else:
            speaking[place] = (part, times, celsius)
            findings.append(_one(place, part, _settled(evidence, celsius)))
    swapped = _places(evidence, speaking)
    findings += swapped
    findings.append(_agreement(evidence, speaking))
    if not any(one.verdict == NO_GO for one in swapped):
        findings += _ice(evidence, speaking)
    return findings + _beside(evidence, speaking)


def _settled(evidence, celsius):
    """The readings to judge by: where one was warmed by hand, the first fifth, before that."""
    return celsius[: max(len(celsius) // 5, _READINGS_MIN)] if evidence.answers.warmed else celsius


def _one(place, part, celsius):
    mean, _ = level(celsius)
    own = noise(celsius)
    accuracy, most = ACCURACY_C[part.chip], NOISE_C[part.chip]
    measured = f"{with_unit(mean, accuracy, '°C', 2)}, {own:.3f} °C RMS from reading to reading"
    expected = f"{_BENCH_C[0]:g} to {_BENCH_C[1]:g} °C, noise up to {most:g} °C"
    common = {"value": mean, "uncertainty": accuracy, "unit": "°C"}
    if not _BENCH_C[0] <= mean <= _BENCH_C[1]:
        return Finding(
            SUBJECT, f"{place} temperature", NO_GO, measured, expected,
            "No bench is as cold or as hot as that: a broken wire or a broken sensor.",
            "Check its joints; if they are good, replace the thermometer.", **common,
        )  # fmt: skip
    if own > most:
        return Finding(
            SUBJECT, f"{place} temperature", WARNING, measured, expected,
            "It jumps from reading to reading more than a thermometer of this kind: a bad joint, or warm and cold air "
            "by turns.",
            "Keep hands and draughts away and run again. If it stays, solder its wires again.", **common,
        )  # fmt: skip
    return Finding(SUBJECT, f"{place} temperature", OK, measured, expected, "Plausible and quiet.", **common)


def _agreement(evidence, speaking):
    if len(speaking) < 2:
        return skipped(SUBJECT, "thermometers agree", "only one of them gives live readings")
    a, b = (float(np.median(_settled(evidence, celsius))) for _, _, celsius in speaking.values())
    stated = float(np.hypot(*(ACCURACY_C[part.chip] for part, _, _ in speaking.values())))
    allowed = max(evidence.plan.limits.thermometers_differ_c, stated)
    off = a - b
    measured = f"outside {off:+.2f} °C against inside"
    expected = f"within {allowed:g} °C, side by side"
    common = {"value": off, "uncertainty": stated, "unit": "°C"}
    if abs(off) <= allowed:
        return Finding(
            SUBJECT, "thermometers agree", OK, measured, expected, "They agree as well as they can.", **common
        )
    if not evidence.answers.side_by_side:
        return Finding(
            SUBJECT, "thermometers agree", "not checked", measured, expected,
            "They may be in different air: nobody said that they lie side by side.",
            "Lay them side by side away from the warm board, wait five minutes, and say --side-by-side.", **common,
        )  # fmt: skip
    return Finding(
        SUBJECT, "thermometers agree", NO_GO if abs(off) > 3 * allowed else WARNING, measured, expected,
        "Side by side they must show the same; one of them is wrong.",
        "Put both into melting ice (--ice-bath outside,inside) to see which, then keep a calibration point for it or "
        "replace it.",
        **common,
    )  # fmt: skip


def _places(evidence, speaking):
    """Is the probe called "outside" the one that a person holds for it? Only if they did something to one of them."""
    name = "which probe is which"
    if len(speaking) < 2:
        return [skipped(SUBJECT, name, "only one of them gives live readings")]
    answers = evidence.answers
    if answers.warmed:
        rise = {place: _rise(celsius) for place, (_, _, celsius) in speaking.items()}
        hit = max(rise, key=lambda place: rise[place])
        measured = ", ".join(f"{place} rose by {value:.1f} °C" for place, value in rise.items())
        if rise[hit] < _WARM_C:
            do = "Hold the metal of that probe between two fingers for half a minute while it runs."
            return [skipped(SUBJECT, name, f"neither probe rose by {_WARM_C} °C ({measured})", do)]
        return [_placed(name, answers.warmed, hit, measured, "warmed by hand")]
    if len(answers.ice_bath) == 1:
        near = {place: abs(level(celsius)[0]) for place, (_, _, celsius) in speaking.items()}
        hit = min(near, key=lambda place: near[place])
        other = max(near, key=lambda place: near[place])
        if near[hit] > _NEAR_ICE_C or near[other] < _NEAR_ICE_C + 3.0:
            return []
        measured = ", ".join(f"{place} {level(celsius)[0]:.1f} °C" for place, (_, _, celsius) in speaking.items())
        return [_placed(name, answers.ice_bath[0], hit, measured, "in the ice")]
    return [skipped(SUBJECT, name, "nobody warmed or cooled one of them",
                    "Hold the OUTSIDE probe between two fingers for half a minute; say --warmed outside.")]  # fmt: skip


def _placed(name, said, hit, measured, how):
    expected = f"the one called {said}"
    if hit == said:
        return Finding(SUBJECT, name, OK, measured, expected, f"The probe {how} is the one called {said}.")
    return Finding(
        SUBJECT, name, NO_GO, measured, expected,
        f"The probe {how} is {said}, and the board calls it {hit}: the two are swapped, and the flight's outside "
        "temperature would be the box's.",
        "Swap probe_outside_rom and probe_inside_rom in the settings (or the two addresses of TMP117s). With empty "
        "codes the lower code counts as outside: write both codes into the settings.",
    )  # fmt: skip


def _rise(celsius):
    """Highest against the first tenth."""
    return float(celsius.max() - np.median(celsius[: max(len(celsius) // 10, 2)]))


def _ice(evidence, speaking):
    findings = []
    for place in evidence.answers.ice_bath:
        name = f"{place} in melting ice"
        if place not in speaking:
            findings.append(skipped(SUBJECT, name, f"the {place} thermometer gives no readings"))
            continue
        part, _, celsius = speaking[place]
        end = celsius[-max(len(celsius) // 3, _READINGS_MIN) :]  # it takes a while to get cold
        mean, scatter = level(end)
        scatter = max(scatter, _STEP_C[part.chip] / 12**0.5)
        allowed = float(np.hypot(ACCURACY_C[part.chip], 2 * BATH_C))
        measured, expected = with_unit(mean, scatter, "°C", 2), f"0.0 °C within {allowed:.2f} °C"
        common = {"value": mean, "uncertainty": float(np.hypot(scatter, BATH_C)), "unit": "°C"}
        if abs(mean) <= allowed:
            findings.append(Finding(SUBJECT, name, OK, measured, expected, "Right at the melting point.", **common))
            continue
        far = abs(mean) > 3.0
        findings.append(
            Finding(
                SUBJECT, name, NO_GO if far else WARNING, measured, expected,
                "It is not in the ice, or it is wrong." if far else "It is off by more than its data sheet allows.",
                "Crushed ice with a little water, stirred, the probe deep in it and off the wall, five minutes; run "
                "again. If it stays, keep it as a calibration point (--calibrate) or replace the probe. Keep water "
                "off the board.",
                **common,
            )
        )  # fmt: skip
    return findings


def _beside(evidence, speaking):
    """Each against another thermometer that lies with them, if one was typed in."""
    other = evidence.answers.thermometer_c
    findings = []
    for place, (part, _, celsius) in speaking.items() if other is not None else ():
        if place in evidence.answers.ice_bath:
            continue
        mean = float(np.median(_settled(evidence, celsius)))
        allowed = float(np.hypot(ACCURACY_C[part.chip], 2 * other.uncertainty))
        name, measured = f"{place} against another thermometer", with_unit(mean, ACCURACY_C[part.chip], "°C", 2)
        expected = f"{other.value - allowed:.2f} to {other.value + allowed:.2f} °C"
        common = {"value": mean, "uncertainty": ACCURACY_C[part.chip], "unit": "°C"}
        if abs(mean - other.value) <= allowed:
            findings.append(Finding(SUBJECT, name, OK, measured, expected, "Both show the same.", **common))
            continue
        findings.append(Finding(
            SUBJECT, name, WARNING, measured, expected,
            f"{mean - other.value:+.2f} °C off: more than both may be wrong.",
            "Lay them together, away from the warm board, for five minutes and run again. If it stays, try melting "
            f"ice, which is surer, then keep a calibration point (--calibrate {place}) or replace the probe.", **common,
        ))  # fmt: skip
    return findings

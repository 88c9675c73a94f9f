"""The board's clock against UTC from the receiver, and against this computer's clock."""

import numpy as np

from ground.bench.finding import NO_GO, OK, WARNING, Finding, skipped
from ground.bench.statistics import line

SUBJECT = "clock"
BY_UTC, BY_COMPUTER, MOMENT = "clock against the receiver", "clock against this computer", "receiver's time"
_SPAN_S_MIN = 30.0
_ROWS_MIN = 15
_JUMP_MS = 500.0
_TELLING = 0.5  # an uncertainty of more than this share of the limit tells nothing
_MOMENT_S_MAX = 2.0


def check(evidence, parts):
    """Findings about the rate of the board's clock, twice, and about the receiver's idea of now."""
    return [_by_receiver(evidence), _by_computer(evidence), *_moment(evidence)]


def _receiver_times(evidence):
    utc, t_ms = evidence.column("fix", "gnss_utc"), evidence.column("fix", "t_ms")
    keep = np.isfinite(utc) & (evidence.column("fix", "boot") == evidence.boot) & _is_fix(evidence)
    return t_ms[keep], utc[keep]


def _is_fix(evidence):
    """A receiver's time counts from its first fix on."""
    return np.array([kind in ("2d", "3d") for kind in evidence.words("fix", "fix_type")], dtype=bool)


def _by_receiver(evidence):
    t_ms, utc = _receiver_times(evidence)
    if len(t_ms) < _ROWS_MIN or t_ms[-1] - t_ms[0] < _SPAN_S_MIN * 1000:
        return skipped(
            SUBJECT, BY_UTC, "the receiver has not said the time for long enough", "Let it run with a fix for a minute."
        )
    steps = np.abs(np.diff(utc - t_ms))
    held_up_ms = max([0.0, *evidence.column("health", "loop_max_ms")])  # bytes that waited so long look late
    if steps.max() > _JUMP_MS + held_up_ms:
        return Finding(
            SUBJECT, BY_UTC, WARNING, f"the receiver's time jumps by {steps.max() / 1000:.1f} s", "no jump",
            "It corrected itself (leap seconds, week), or it is not to be trusted with time.",
            "Let it run for a quarter of an hour under open sky, until it has the whole almanac, and run again.",
        )  # fmt: skip
    slope, own, _ = line(t_ms, utc - utc[0])
    return _rated(evidence, BY_UTC, (slope - 1.0) * 1e6, own * 1e6, "the receiver's UTC")


def _rated(evidence, name, ppm, own, other):
    limit = evidence.plan.limits.clock_ppm_max
    # positive: UTC goes on by more than the board counts, so the board is slow
    measured = f"{abs(ppm):.0f} ppm {'slow' if ppm > 0 else 'fast'}, give or take {own:.0f}"
    expected = f"within {limit:g} ppm of {other}"
    common = {"value": ppm, "uncertainty": own, "unit": "ppm"}
    if not own < _TELLING * limit and not abs(ppm) > limit + 4 * own:
        return Finding(SUBJECT, name, "not checked", measured, expected, "The run was too short to tell.",
                       "Let it run for a few minutes.", **common)  # fmt: skip
    if abs(ppm) <= limit + 2 * own:
        return Finding(SUBJECT, name, OK, measured, expected, "As good as a crystal is.", **common)
    return Finding(
        SUBJECT, name, NO_GO if abs(ppm) > 25 * limit else WARNING, measured, expected,
        f"The board's clock is off by {abs(ppm) * 3.6e-3:.1f} s an hour: not a crystal in order, or a wrong clock "
        "setting.",
        "Decoding corrects a steady error by the receiver's time; without a fix it cannot. Try another board.",
        **common,
    )  # fmt: skip


def _by_computer(evidence):
    if evidence.simulated:
        return skipped(SUBJECT, BY_COMPUTER, "the board is simulated and its time is not this computer's")
    host = _of_newest_start(evidence.host)
    if len(host) < _ROWS_MIN or host[-1][0] - host[0][0] < _SPAN_S_MIN:
        return skipped(SUBJECT, BY_COMPUTER, "the bench has not listened for long enough", "Let it run for a minute.")
    moments, t_ms = np.array(host, dtype=float).T
    slope, own, _ = line(t_ms, (moments - moments[0]) * 1000.0)
    return _rated(evidence, BY_COMPUTER, (slope - 1.0) * 1e6, own * 1e6, "this computer's clock")


def _of_newest_start(host):
    """The pairs since the board's clock last began anew."""
    falls = [n for n in range(1, len(host)) if host[n][1] < host[n - 1][1]]
    return host[falls[-1] :] if falls else host


def _moment(evidence):
    t_ms, utc = _receiver_times(evidence)
    if evidence.simulated or not len(t_ms) or len(evidence.host) < 3:
        return []
    moments, board_ms = np.array(_of_newest_start(evidence.host), dtype=float).T
    here_ms = 1000.0 * np.interp(t_ms, board_ms, moments)
    off_s = float(np.median(utc - here_ms)) / 1000.0
    measured, expected = f"{off_s:+.1f} s against this computer", f"within {_MOMENT_S_MAX:g} s"
    common = {"value": off_s, "unit": "s"}
    if abs(off_s) <= _MOMENT_S_MAX:
        return [Finding(SUBJECT, MOMENT, OK, measured, expected, "Receiver and computer agree.", **common)]
    weeks = abs(off_s) / (1024 * 7 * 86400.0)
    why = "One of the two clocks is wrong."
    if 15.0 < off_s < 20.0:
        why = "By some 18 s: the receiver has not heard the leap seconds yet."
    elif round(weeks) >= 1 and abs(weeks - round(weeks)) < 0.01:
        why = "By 1024 weeks: the receiver counts its weeks wrong. Decoding mends that where other fixes tell."
    return [Finding(
        SUBJECT, MOMENT, WARNING, measured, expected, why,
        "Set this computer's clock by the network; give the receiver a quarter of an hour under open sky; run again.",
        **common,
    )]  # fmt: skip

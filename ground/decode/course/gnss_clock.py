"""Receiver times that are off by leap seconds, by 1024 weeks or by a step: told apart, and kept out of the UTC line.

A receiver that begins from nothing learns the leap seconds and the full number of the week from the almanac, up to 12.5
minutes later (IS-GPS-200, subframes 4 and 5; from memory). Until then its UTC may be GPS time, 18 s ahead, or lie
1024 weeks in the past, as the week number has ten bits. Both errors have one direction and end once, so what comes
later is right even if it is the smaller part of a record. A step that is neither is settled by the majority.
"""

import numpy as np

from ground.decode.moments import WEEK_MS, leap_seconds
from ground.decode.readings import flags

ROLLOVER_MS = 1024 * WEEK_MS
CLOCK_DISAGREES = "gps, clock disagrees"  # basis of a line through times that do not run like the board's clock
OFF_MS = 1500.0  # rows come up to a second late when the line is busy
_ROLLOVERS = (0, 1, 2)
_SURE = 10  # fixes
_BEFORE_SHARE = 0.95
_KINDS = ((flags.TIME_WEEKS, "weeks"), (flags.TIME_LEAP, "leap_seconds"), (flags.TIME_STEP, "step"))
_KIND_WORDS = {
    "weeks": "the date was 1024 weeks off",
    "leap_seconds": "the time lacked the leap seconds",
    "step": "the clock had stepped",
}


def _corrections(moment_ms, is_right):
    """What can lie between a wrong time and the right one that follows it: list of (right minus wrong), not 0. [ms]

    The leap seconds are those of the right moment: `moment_ms` itself, or what each correction makes of it.
    """
    found = []
    for turns in _ROLLOVERS:
        right_ms = moment_ms if is_right else moment_ms + turns * ROLLOVER_MS
        leap_ms = 1000 * int(leap_seconds(np.array([right_ms]))[0])
        found += [turns * ROLLOVER_MS] if turns else []
        found += [turns * ROLLOVER_MS - leap_ms]
    return found


def later_and_right(t_ms, residual_ms, agree, moment_ms):
    """Where the majority is wrong for a known reason: the fixes behind it that are right; None if there are none.

    Parameters
    ----------
    t_ms, residual_ms : numpy.ndarray, shape (n,)
        Times since boot; the receiver's times against the majority's line. [ms]
    agree : numpy.ndarray of bool, shape (n,)
        The majority.
    moment_ms : float
        About when it is, by the majority. [ms since 1970]
    """
    for shift in _corrections(moment_ms, is_right=False):
        other = np.abs(residual_ms - shift) < OFF_MS
        if other.sum() >= _SURE and (t_ms[agree] < t_ms[other].min()).mean() >= _BEFORE_SHARE:
            return other
    return None


def earlier_and_wrong(t_ms, residual_ms, right, moment_ms):
    """Fixes before the right ones that are off for a known reason; bool, shape (n,)."""
    wrong = np.zeros(len(t_ms), dtype=bool)
    if not right.any():
        return wrong
    before = t_ms < np.median(t_ms[right])
    for shift in _corrections(moment_ms, is_right=True):
        wrong |= before & (np.abs(residual_ms + shift) < OFF_MS)
    return wrong


def doubts(t_ms, utc_ms, line):
    """Flag bits of receiver times against a boot's UTC line; int64, shape (n,), 0 where they agree."""
    bits = np.zeros(len(t_ms), dtype=np.int64)
    residual = (utc_ms - line.at(t_ms)).astype(float)
    tolerance = max(OFF_MS, line.uncertainty_ms) if line.basis == CLOCK_DISAGREES else OFF_MS
    off = np.abs(residual) > tolerance
    turns = np.round(residual / ROLLOVER_MS)
    rest = residual - turns * ROLLOVER_MS
    leap_ms = 1000.0 * leap_seconds(line.at(t_ms))
    is_leap = np.abs(rest - leap_ms) <= OFF_MS
    weeks = off & (turns != 0) & (is_leap | (np.abs(rest) <= tolerance))
    bits[weeks] |= flags.TIME_WEEKS
    bits[off & is_leap] |= flags.TIME_LEAP
    bits[off & ~weeks & ~is_leap] |= flags.TIME_STEP
    return bits


def counts(bits):
    """{kind: fixes} of the times that were not used."""
    return {word: int(((bits & bit) != 0).sum()) for bit, word in _KINDS if (bits & bit).any()}


def note(boot_number, counted):
    """One line for integrity.json about a boot's refused times."""
    parts = [f"{_KIND_WORDS[kind]} in {number} fixes" for kind, number in counted.items()]
    return f"boot {boot_number}: receiver times not used for utc: " + ", ".join(parts)

"""One UTC line: for each boot, UTC = begin + rate x t_ms, fitted to what the receiver said.

The receiver may say wrong things: a date 1024 weeks off after a cold start, a clock that jumps when the leap
seconds arrive, a recorded stream that starts over. So the fit asks which line most fixes agree on, never for a mean;
where gnss_clock.py knows why the majority is wrong, the fixes that came later are believed.
The board's crystal is good to some ten ppm; a rate more than 200 ppm from 1 is not a clock, and the plain offset is
used instead.

A fix reaches the log some tenths of a second after the moment it speaks of (the receiver computes, then sends at 9600
baud). That lateness is part of the stated uncertainty.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from ground.decode.clock_wrap import WRAP_MS
from ground.decode.course import gnss_clock

RATE_PPM_MAX = 200.0
_AGREE_MS = 1500.0  # fixes that agree on an offset: one second of jitter and some room
_LATENESS_MS = 500.0  # half of the largest lateness at one fix a second; common practice, no source
_SECOND_SHARE = 0.3  # of the fixes: a majority that is no clear one
_RATE_SPAN_MS = 300_000  # in less time than this, jitter hides the crystal's error
_POINTS_MAX = 400
_BOUND_MS = 600_000  # how loosely a boot without GPS time may hang between its neighbours
_SAME_FLIGHT_MS = 86_400_000
_RESTART_MS = 3_000  # a restart without loss of power: up again in about this time
_WARM_CAUSES = (2, 3)  # watchdog, own reset


@dataclass
class Line:
    """UTC of one boot: `begin_ms + rate * t_ms`, both in ms; how it is known, and how well."""

    begin_ms: float
    rate: float
    uncertainty_ms: float
    # "gps", "gps, 1024 weeks added", "gps, clock steps", "gps, clock disagrees", "between neighbours",
    # "after the boot before", "before the boot behind"
    basis: str
    points: int = 0
    wrapped_below_ms: int = 0  # times below this were written after the board's clock had begun again: clock_wrap.py

    def at(self, t_ms):
        """UTC of times since boot; int64 ms."""
        t_ms = np.asarray(t_ms, dtype=float)
        if self.wrapped_below_ms:
            t_ms = np.where(t_ms < self.wrapped_below_ms, t_ms + WRAP_MS, t_ms)
        return np.round(self.begin_ms + self.rate * t_ms).astype(np.int64)


def fit(t_ms, utc_ms):
    """The line that most of a boot's fixes agree on; None without any.

    Parameters
    ----------
    t_ms, utc_ms : numpy.ndarray of int64, shape (n,)
        Times since boot of fixes, and what the receiver said they were.
    """
    if len(t_ms) == 0:
        return None
    t, offset = t_ms.astype(float), (utc_ms - t_ms).astype(float)
    agree = _largest_agreement(t, offset)
    begin, rate_error = _through(t, offset, agree)
    later = gnss_clock.later_and_right(t, offset - rate_error * t - begin, agree, begin)
    if later is not None:
        agree = later
        begin, rate_error = _through(t, offset, agree)
    residual = offset - rate_error * t - begin
    told = ~gnss_clock.earlier_and_wrong(t, residual, agree, begin)  # all but the errors whose reason is known
    scatter = np.abs(residual)
    basis = "gps"
    spread = float(np.percentile(scatter[agree], 95))
    if agree[told].mean() < 0.5:
        basis = gnss_clock.CLOCK_DISAGREES
        spread = float(np.percentile(scatter[told], 95))
    else:
        step = _second_clock(residual[told & ~agree], told.sum())
        if step is not None:
            basis = "gps, clock steps"
            spread += step
    return Line(begin, 1.0 + rate_error, spread + _LATENESS_MS, basis, int(agree.sum()))


def _through(t, offset, agree):
    """`(begin, rate error)` of the line through the fixes that agree."""
    rate_error = _rate_error(t[agree], offset[agree])
    if abs(rate_error) * 1e6 > RATE_PPM_MAX:
        rate_error = 0.0
    return float(np.median(offset[agree] - rate_error * t[agree])), rate_error


def _second_clock(residual, count):
    """How far off a second line is that nearly as many fixes agree on; None if there is no such line."""
    if len(residual) < _SECOND_SHARE * count:
        return None
    step = float(np.median(residual))
    agrees = np.abs(residual - step) <= _AGREE_MS
    return abs(step) if agrees.sum() >= _SECOND_SHARE * count else None


def _largest_agreement(t, offset):
    """Fixes on the line most of them share: the fullest window of offsets, wide enough for the crystal's drift."""
    width = 2 * _AGREE_MS + RATE_PPM_MAX * 1e-6 * float(t.max() - t.min())
    order = np.argsort(offset, kind="stable")
    ranked = offset[order]
    reach = np.searchsorted(ranked, ranked + width, side="right")
    first = int(np.argmax(reach - np.arange(len(ranked))))
    inside = (offset >= ranked[first]) & (offset <= ranked[first] + width)
    rate_error = _rate_error(t[inside], offset[inside])
    if abs(rate_error) * 1e6 > RATE_PPM_MAX:
        return inside
    residual = offset - rate_error * t
    near = np.abs(residual - np.median(residual[inside])) <= _AGREE_MS
    return near if near.any() else inside


def _rate_error(t, offset):
    """Theil-Sen slope of the offset against t (Sen, 1968): the median over pairs far apart; 0 if the span is short."""
    if len(t) < 8 or t.max() - t.min() < _RATE_SPAN_MS:
        return 0.0
    chosen = np.linspace(0, len(t) - 1, min(len(t), _POINTS_MAX)).astype(int)
    t, offset = t[chosen], offset[chosen]
    first, second = _pairs(len(t))
    apart = t[second] - t[first]
    far = np.abs(apart) >= (t.max() - t.min()) / 4
    return float(np.median((offset[second] - offset[first])[far] / apart[far])) if far.any() else 0.0


@lru_cache(2)
def _pairs(count):
    """Indices of all pairs of so many; two fits of a boot ask for the same ones."""
    return np.triu_indices(count, 1)


def join(boots, fitted, causes):
    """Lines of all boots of a flight, so that UTC rises strictly from one to the next.

    Parameters
    ----------
    boots : list of BootFrames
        In the order in which the board counted them.
    fitted : list of Line or None
        Each boot's own fit.
    causes : list of int or None
        Why each boot began, where the log says it.

    Returns
    -------
    lines : list of Line or None
    notes : list of str
        What had to be assumed, and which boots stay without UTC.
    """
    lines, notes = list(fitted), []
    _add_weeks(boots, lines, notes)
    _drop_contradictions(boots, lines, notes)
    for n, boot in enumerate(boots):
        if lines[n] is None:
            lines[n] = _between(boots, lines, causes, n)
            if lines[n] is None:
                notes.append(f"boot {boot.boot}: no GPS time and no bound from its neighbours; its rows have no utc")
            else:
                notes.append(
                    f"boot {boot.boot}: no GPS time; utc placed {lines[n].basis}, "
                    f"uncertain by {lines[n].uncertainty_ms / 1000:.1f} s"
                )
        elif lines[n].basis == "gps, clock steps":
            notes.append(
                f"boot {boot.boot}: the receiver's clock stepped and it is not sure which side is right; "
                f"utc uncertain by {lines[n].uncertainty_ms / 1000:.1f} s"
            )
        elif lines[n].basis == gnss_clock.CLOCK_DISAGREES:
            notes.append(
                f"boot {boot.boot}: the receiver's time does not run like the board's clock; "
                f"utc uncertain by {lines[n].uncertainty_ms / 1000:.0f} s"
            )
    _push_apart(boots, lines, notes)
    return lines, notes


def _span(boot, line):
    return float(line.at(boot.first_ms)), float(line.at(boot.last_ms))


def _add_weeks(boots, lines, notes):
    """A boot whose receiver knew the week modulo 1024 only: a neighbour that lies 1024 weeks later settles it."""
    known = [n for n, line in enumerate(lines) if line is not None]
    for one, other in [*pairwise(known), *pairwise(reversed(known))]:
        apart = lines[other].begin_ms - lines[one].begin_ms
        turns = round(apart / gnss_clock.ROLLOVER_MS)
        if turns >= 1 and abs(apart - turns * gnss_clock.ROLLOVER_MS) <= _SAME_FLIGHT_MS:
            lines[one].begin_ms += turns * gnss_clock.ROLLOVER_MS
            lines[one].basis = "gps, 1024 weeks added"
            notes.append(
                f"boot {boots[one].boot}: its dates lie {turns * 1024} weeks before those of boot {boots[other].boot}, "
                "as from a receiver without an almanac; the weeks were added"
            )


def _drop_contradictions(boots, lines, notes):
    """Of two neighbours that overlap by more than their uncertainty the one with fewer fixes is not believed."""
    while True:
        known = [n for n, line in enumerate(lines) if line is not None]
        for before, after in pairwise(known):
            overlap = _span(boots[before], lines[before])[1] - _span(boots[after], lines[after])[0]
            if overlap > lines[before].uncertainty_ms + lines[after].uncertainty_ms:
                weak = before if lines[before].points < lines[after].points else after
                notes.append(
                    f"boot {boots[weak].boot}: its GPS time contradicts boot "
                    f"{boots[after if weak == before else before].boot} and is not used"
                )
                lines[weak] = None
                break
        else:
            return


def _between(boots, lines, causes, n):
    """Where a boot without GPS time can be, from the boots before and behind it."""
    duration = boots[n].last_ms - boots[n].first_ms
    end_before = _span(boots[n - 1], lines[n - 1])[1] if n > 0 and lines[n - 1] is not None else None
    behind = next((k for k in range(n + 1, len(boots)) if lines[k] is not None), None)
    begin_behind = _span(boots[behind], lines[behind])[0] if behind is not None else None
    if behind is not None and behind > n + 1:  # the boots between need room too
        begin_behind -= sum(boots[k].last_ms - boots[k].first_ms for k in range(n + 1, behind))
    if end_before is not None and begin_behind is not None:
        slack = begin_behind - end_before - duration
        if -_RESTART_MS <= slack <= _BOUND_MS:
            half = max(slack, 0) / 2
            return Line(
                end_before + half - boots[n].first_ms, 1.0, half + lines[n - 1].uncertainty_ms, "between neighbours"
            )
    if end_before is not None and causes[n] in _WARM_CAUSES:
        return Line(
            end_before + _RESTART_MS - boots[n].first_ms,
            1.0,
            _RESTART_MS + lines[n - 1].uncertainty_ms,
            "after the boot before",
        )
    if behind == n + 1 and causes[behind] in _WARM_CAUSES:
        return Line(
            begin_behind - _RESTART_MS - boots[n].last_ms,
            1.0,
            _RESTART_MS + lines[behind].uncertainty_ms,
            "before the boot behind",
        )
    return None


def _push_apart(boots, lines, notes):
    """Move a boot that would begin before its predecessor ends; within the uncertainties, so it is a matter of ms."""
    end = None
    for boot, line in zip(boots, lines, strict=True):
        if line is None:
            continue
        if end is not None:
            late = end + 1 - _span(boot, line)[0]
            if late > 0:
                line.begin_ms += late
                line.uncertainty_ms += late
                notes.append(
                    f"boot {boot.boot}: moved {late / 1000:.1f} s later, so that it begins after the boot before"
                )
        end = _span(boot, line)[1]

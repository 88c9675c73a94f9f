"""Launch, burst and landing, found after the fact from the whole profile.

Each is a change of slope. A rough place comes from thresholds on the median-filtered profile; the moment itself from
fitting a broken curve around it: level then climbing (launch), climbing then falling (burst), falling then level
(landing). The fit uses a minute or two of readings, so 5 to 10 m of noise move it by a second at most, and it needs no
reading at the very moment: a restart across the burst costs little.
"""

from dataclasses import dataclass

import numpy as np

GROUND, ASCENDING, DESCENDING, LANDED = range(4)
PHASE_WORDS = ["ground", "ascending", "descending", "landed"]
CLIMB_M_MIN = 200.0  # less than this is no flight
_NEAR_GROUND_M = 30.0
_STEADY_S = 60.0
_STEADY_M = 30.0  # half a metre a second over the minute: neither climbing nor falling
_LOW_SHARE = 0.2  # launch and landing lie in the lowest fifth of the profile; a balloon may pause higher up
_FILTER = 9  # readings in the median filter
_STEP_S = 0.25
_GRAVITY = 9.8
_TERMINAL_MPS = np.geomspace(3.0, 150.0, 20)
_FALL_M_MIN = 20.0  # within the seconds behind a burst
_BREAK_GAIN = 0.8  # of the squared error without a break, that the break must beat
_POINTS_MIN = 4
_SCALE_S = 60.0


@dataclass
class Moment:
    """A moment found, in seconds, with the height there and how far apart the readings around it are."""

    at_s: float
    altitude_m: float
    readings_apart_s: float
    scatter_m: float  # of the readings about the fitted curve


@dataclass
class Phases:
    """Moments of a flight; None for what the record does not show."""

    launch: Moment | None = None
    burst: Moment | None = None
    landing: Moment | None = None
    flew: bool = False

    def of(self, t_s):
        """Phase code of each time; int8."""
        codes = np.full(len(t_s), GROUND, dtype=np.int8)
        if not self.flew:
            return codes
        codes[:] = ASCENDING
        if self.launch:
            codes[t_s < self.launch.at_s] = GROUND
        if self.burst:
            codes[t_s >= self.burst.at_s] = DESCENDING
        if self.landing:
            codes[t_s >= self.landing.at_s] = LANDED
        return codes


def find(t_s, altitudes):
    """The phases of a flight.

    Parameters
    ----------
    t_s : numpy.ndarray, shape (n,)
        Rising times. [s]
    altitudes : list of numpy.ndarray, shape (n,)
        The same profile as seen by several instruments, the smoothest first (NaN: no reading). Launch and landing are
        taken from the first that has readings on both sides; the burst, where pressure may be at its weakest, from
        the one that scatters least about its fit. [m]
    """
    profiles = [(t_s[good], altitude[good]) for altitude in altitudes for good in [~np.isnan(altitude)]]
    profiles = [profile for profile in profiles if len(profile[0]) >= 2 * _FILTER]
    phases = Phases()
    rough = next((r for r in (_rough(*profile) for profile in profiles) if r is not None), None)
    if rough is None:
        return phases
    phases.flew = True
    launch_s, peak_s, landing_s = rough
    bursts = [moment for moment in (_burst(*profile, peak_s) for profile in profiles) if moment is not None]
    phases.burst = min(bursts, key=lambda moment: moment.scatter_m, default=None)
    if launch_s is not None:
        phases.launch = _first_found(profiles, _launch, launch_s)
    if landing_s is not None and phases.burst:
        phases.landing = _first_found(profiles, _landing, landing_s)
    return phases


def _first_found(profiles, finder, around_s):
    found = (finder(t, h, around_s) for t, h in profiles)
    return next((moment for moment in found if moment is not None), None)


def _filtered(h):
    """Running median; the ends repeat."""
    padded = np.pad(h, _FILTER // 2, mode="edge")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, _FILTER), axis=1)


def _rough(t, h):
    """Rough times of launch, peak and landing (None: not in the record); None if nothing flew."""
    smooth = _filtered(h)
    peak = int(np.argmax(smooth))
    before, after = smooth[: peak + 1], smooth[peak:]
    if smooth[peak] - min(before.min(), after.min()) < CLIMB_M_MIN:
        return None
    launch = landing = None
    if smooth[peak] - before.min() >= CLIMB_M_MIN:
        ahead = np.interp(t[: peak + 1] + _STEADY_S, t, smooth)
        quiet = _is_quiet(before, smooth[peak], ahead - before)
        if quiet.any():
            launch = float(t[np.flatnonzero(quiet)[-1]])
    if smooth[peak] - after.min() >= CLIMB_M_MIN:
        ahead = np.interp(t[peak:] + _STEADY_S, t, smooth)
        enough = t[peak:] + 10.0 <= t[-1]
        quiet = _is_quiet(after, smooth[peak], after - ahead) & enough
        if quiet.any():
            landing = float(t[peak + np.flatnonzero(quiet)[0]])
    return launch, float(t[peak]), landing


def _is_quiet(heights, peak, change):
    lowest = heights.min()
    low = heights < lowest + _LOW_SHARE * (peak - lowest)
    return low & ((change < _STEADY_M) | (heights < lowest + _NEAR_GROUND_M))


def _launch(t, h, around_s):
    """Level, then a climb that may still gather speed."""
    return _broken(t, h, around_s, (-90.0, 120.0), (-30.0, 90.0), left=(), right=(1, 2))


def _landing(t, h, around_s):
    """A fall, then level."""
    return _broken(t, h, around_s, (-60.0, 90.0), (-20.0, 70.0), left=(1, 2), right=())


def _burst(t, h, around_s):
    """A climb, then a fall from rest that finds its balance with the drag.

    Behind the burst the curve is that of a body falling against a drag that grows with the square of its speed,
    D = v^2/g ln cosh(g tau / v) with the terminal speed v (textbook form). One number to fit instead of a free curve:
    it holds at 6 km, where the balance comes after a second, as at 35 km, where it takes ten.
    """
    use = (t >= around_s - 60.0) & (t <= around_s + 20.0)
    t, h = t[use] - around_s, h[use]
    best = _fit_burst(t, h, np.arange(-20.0, 12.5, 1.0))
    if best is None:
        return None
    best = _better(best, _fit_burst(t, h, _steps_around(best[1])))
    error, at, (height, climb), apart = best
    scatter = (error / len(t)) ** 0.5
    fallen = height - np.median(h[-_POINTS_MIN:])
    if climb <= 0 or fallen < max(_FALL_M_MIN, 4 * scatter):
        return None  # the record ends before a fall is sure
    return Moment(around_s + at, float(height), apart, scatter)


def _fit_burst(t, h, times):
    """`(squared error, burst, (height, climb), readings apart)` of the best of some burst times and terminal speeds.

    All are fitted at once. Of a straight line through the readings before and a level behind, less the fall, the
    solution is the textbook one (means, and a slope from the deviations).
    """
    times = _with_readings(t, times)
    if len(times) == 0:
        return None
    tau = t - times[:, None]
    turns = _GRAVITY * np.maximum(tau, 0.0)[:, :, None] / _TERMINAL_MPS
    drop = _TERMINAL_MPS**2 / _GRAVITY * (turns + np.log1p(np.exp(-2.0 * turns)) - np.log(2.0))  # no overflow in cosh
    rest = h[:, None] + drop
    line = np.minimum(tau, 0.0)
    deviation = line - line.mean(axis=1, keepdims=True)
    climb = (deviation[:, None, :] @ rest)[:, 0] / (deviation**2).sum(axis=1, keepdims=True)
    height = rest.mean(axis=1) - climb * line.mean(axis=1, keepdims=True)
    rest -= height[:, None, :]
    rest -= line[:, :, None] * climb[:, None, :]
    errors = np.square(rest, out=rest).sum(axis=1)
    which, speed = np.unravel_index(int(np.argmin(errors)), errors.shape)
    solution = np.array([height[which, speed], climb[which, speed]])
    return float(errors[which, speed]), float(times[which]), solution, _apart(t, times[which])


def _with_readings(t, times):
    """Those of the times that have enough readings before them and behind them."""
    before = np.searchsorted(t, times)
    return times[(before >= _POINTS_MIN) & (len(t) - before >= _POINTS_MIN)]


def _steps_around(at):
    return np.arange(at - 1 + _STEP_S, at + 1, _STEP_S)


def _apart(t, at):
    """Time between the last reading before a moment and the first behind it."""
    before = int(np.searchsorted(t, at))
    return float(t[before] - t[before - 1])


def apogee_m(t_s, altitude_m, burst):
    """Highest point of one profile: of the curve fitted around the burst, else of the filtered readings.

    The highest single reading would be too high: of thousands of noisy ones it is the luckiest.
    """
    good = ~np.isnan(altitude_m)
    t, h = t_s[good], altitude_m[good]
    if burst is not None and ((t > burst.at_s - 10) & (t < burst.at_s + 10)).sum() >= 2 * _POINTS_MIN:
        fitted = _burst(t, h, burst.at_s)
        if fitted is not None and abs(fitted.at_s - burst.at_s) < 10:
            return fitted.altitude_m
    return float(_filtered(h).max()) if len(h) else None


def _broken(t, h, around_s, window, search, left, right):
    """Best place of a break between two polynomials that meet there.

    `left` and `right` are the powers of (t - break) on either side, beside the common height. The far end of the curved
    side must lie above the break, and the break must explain more than a curve without one does: a record that begins
    in the air has no launch.
    """
    use = (t >= around_s + window[0]) & (t <= around_s + window[1])
    t, h = t[use] - around_s, h[use]
    best = _fit_at(t, h, np.arange(search[0], search[1] + 1.0, 1.0), left, right)
    if best is None:
        return None
    best = _better(best, _fit_at(t, h, _steps_around(best[1]), left, right))
    error, at, solution, apart = best
    smooth = np.stack([(t / 60.0) ** power for power in (0, *left, *right)], axis=1)
    without = float(((smooth @ np.linalg.lstsq(smooth, h, rcond=None)[0] - h) ** 2).sum())
    powers = right or left
    reach = t[-1] - at if right else t[0] - at
    rise = sum(coefficient * reach**power for coefficient, power in zip(solution[-len(powers) :], powers, strict=True))
    if rise < _NEAR_GROUND_M / 2 or error > _BREAK_GAIN * without:
        return None
    return Moment(around_s + at, float(solution[0]), apart, (error / len(t)) ** 0.5)


def _fit_at(t, h, times, left, right):
    """`(squared error, break, coefficients, readings apart)` of the best least-squares fit with its break at a time.

    All times are fitted at once, by the normal equations; in minutes, and with heights from their mean, these are as
    exact as need be.
    """
    times = _with_readings(t, times)
    if len(times) == 0:
        return None
    tau = (t - times[:, None]) / _SCALE_S
    before, middle = tau < 0, h.mean()
    columns = [np.ones_like(tau)]
    columns += [np.where(before, tau**power, 0.0) for power in left]
    columns += [np.where(before, 0.0, tau**power) for power in right]
    design = np.stack(columns, axis=2)
    turned = design.transpose(0, 2, 1)
    found = np.linalg.solve(turned @ design, turned @ (h - middle)[:, None])
    errors = ((design @ found)[:, :, 0] - (h - middle)) ** 2
    errors = errors.sum(axis=1)
    which = int(np.argmin(errors))
    solution = found[which, :, 0] / _SCALE_S ** np.array([0, *left, *right])
    solution[0] += middle
    return float(errors[which]), float(times[which]), solution, _apart(t, times[which])


def _better(first, second):
    if first is None or second is None:
        return first or second
    return second if second[0] < first[0] else first

"""Up, down or still: what a noisy series of one value a second says, in whole numbers and without allocating.

Two means of ten values, one after the other, are compared. How far such means scatter when nothing moves is known from
the values' own noise, taken as the mean step between neighbours: for white noise the difference of the means stays
below twice that step in all but one case in a million. A smaller difference is no movement, however large it may look
in metres: at 30 km one hPa is 500 m.
"""

from array import array

from shared_protocol.compat import const

_KEPT = const(64)  # values
_HALF = const(10)  # values in a mean
_HALF_MIN = const(5)  # so many do, for the first seconds after a power-up
_LONG = const(40)  # values between the ends of a long rise
_STILL = const(60)
_STILL_M = const(10)
_STILL_DMPS = const(10)
_BLIND_M = const(60)  # noise that hides this much in ten seconds hides a flight


class Trend:
    """`to_altitude(value)` turns a value into metres. add() once a second; the rest is about the values so far."""

    def __init__(self, to_altitude):
        self._to_altitude = to_altitude
        self._values = array("i", [0] * _KEPT)
        self._times_s = array("i", [0] * _KEPT)
        self._place = 0  # of the newest
        self._step = 0  # mean distance between neighbours
        self.count = 0
        self.altitude_m = 0  # of the newest mean
        self.climb_dmps = 0  # 0.1 m/s; 0 while the noise could be all there is
        self.is_blind = True  # the noise would hide a flight, or there are too few values
        self.rise_m = 0  # over the last 40 s, or what there is of them; 0 while the noise could be all there is
        self.is_still = False  # for a minute

    def clear(self) -> None:
        """Forget everything: a long gap makes old values meaningless."""
        self.count = 0
        self.climb_dmps = 0
        self.rise_m = 0
        self.is_blind = True
        self.is_still = False

    def newest_s(self) -> int:
        """When the newest value was added; far in the past if there is none."""
        return self._times_s[self._place] if self.count else -1000000

    def add(self, value: int, now_s: int) -> None:
        """Take a value and judge anew."""
        place = self._place + 1 if self._place + 1 < _KEPT else 0
        self._place = place
        self._values[place] = value
        self._times_s[place] = now_s
        if self.count < _KEPT:
            self.count += 1
        self._judge()

    def _judge(self):
        half = min(self.count // 2, _HALF)
        if half < _HALF_MIN:
            self.is_blind = True
            return
        new = self._mean(0, half)
        old = self._mean(half, half)
        self._step = self._mean_step(2 * half)
        # of fewer values the means scatter more; and one unit is lost in rounding
        threshold = (2 if half == _HALF else 3) * self._step + 1
        self.altitude_m = self._to_altitude(new)
        change_m = self.altitude_m - self._to_altitude(old)
        moves = abs(new - old) > threshold
        self.climb_dmps = change_m * 10 // max(self._age_s(half), 1) if moves else 0
        self.is_blind = not moves and abs(self.altitude_m - self._to_altitude(new + threshold)) > _BLIND_M
        self._judge_rise()
        self._judge_stillness()

    def _judge_rise(self):
        back = min(self.count, _LONG) - _HALF_MIN
        new = self._mean(0, _HALF_MIN)
        old = self._mean(back, _HALF_MIN)
        moves = abs(new - old) > 3 * self._step
        self.rise_m = self._to_altitude(new) - self._to_altitude(old) if moves else 0

    def _judge_stillness(self):
        self.is_still = False
        if self.count < _STILL or abs(self.climb_dmps) > _STILL_DMPS:
            return
        middle = abs(self.altitude_m - self._to_altitude(self._mean(_STILL // 2, _HALF)))
        oldest = abs(self.altitude_m - self._to_altitude(self._mean(_STILL - _HALF, _HALF)))
        self.is_still = middle <= _STILL_M and oldest <= _STILL_M

    def _mean(self, back, count):
        """Mean of `count` values, the newest of them `back` places before the newest of all."""
        values = self._values
        total = 0
        place = self._place - back
        for _ in range(count):
            total += values[place]  # a negative place counts from the end, as it should in a ring
            place -= 1
        return total // count

    def _mean_step(self, count):
        values = self._values
        total = 0
        place = self._place
        for _ in range(count - 1):
            total += abs(values[place] - values[place - 1])
            place -= 1
        return total // (count - 1)

    def _age_s(self, back):
        return self._times_s[self._place] - self._times_s[self._place - back]

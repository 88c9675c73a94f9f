"""Which part of the flight this is: on the ground, ascending, descending, landed.

Pressure decides; the receiver only when there is no pressure, when the barometer repeats itself, or when noise hides
the movement. The event says which of the two it was (its source). How the decision is made:
- Above 9 km nobody is on the ground: the sign of the movement decides within seconds, after a reset in flight too.
- Below, from the ground or after landing: 120 m up or down within 40 s is a flight. That is 3 m/s over more than the
  height of all but the tallest lifts, and steeper than a road is driven. A slower ascent counts when it has gained
  800 m in 500 s. The weather moves 10 m in an hour.
- A fall of 3 m/s ends the ascent. A minute without moving ends the descent.
- The phase that the log's last sector carries is where a resumed log begins (see logbook.py). Two minutes without
  moving end an ascent too: that was a ride, or a flight whose end was slept through.
Each change waits until three seconds agree. Being wrong is cheap by design: a phase can always be left again, and only
"landed" changes what is measured.
"""

from array import array

from firmware.core.pressure_altitude import altitude_m
from firmware.core.trend import Trend
from shared_protocol import events
from shared_protocol.compat import const

_HIGH_M = const(9000)
_LANDING_M_MAX = const(6500)  # nobody finds it higher than that
_FLIGHT_M = const(120)
_FALL_DMPS = const(-30)
_CLIMB_DMPS = const(10)
_SLOW_RISE_M = const(800)
_SLOW_EVERY_S = const(10)
_SLOW_KEPT = const(50)
_ASCENT_REST_S = const(120)
_AGREEING = const(3)
_FRESH_S = const(15)
_FROZEN_S = const(30)
_FALLEN_M = const(300)


def _same(metres):
    return metres


class Phase:
    """Give it pressure and receiver altitude once a second, ask decide(), read `phase`, `altitude_m`, `source`."""

    def __init__(self, phase: int = events.PHASE_GROUND):
        self.phase = phase
        self.source = events.SYSTEM  # what decided last: events.BAROMETER or events.GNSS
        self.altitude_m = -1  # not known
        self.pressure = Trend(altitude_m)
        self.receiver = Trend(_same)
        self._highest_m = -100000
        self._was_flying = phase != events.PHASE_GROUND
        self._candidate = phase
        self._agreeing = 0
        self._rest_s = 0
        self._last_s = 0
        self._slow = array("i", [0] * _SLOW_KEPT)
        self._slow_count = 0
        self._slow_place = 0
        self._slow_next_s = 0
        self._is_slow_rise = False
        self._last_raw = 0
        self._changed_s = 0

    def begin(self, phase: int) -> None:
        """Where to begin: the phase that the resumed log carries."""
        self.phase = phase
        self._was_flying = phase != events.PHASE_GROUND

    def add_pressure(self, pressure_pa: int, raw: int, now_s: int) -> None:
        """Pressure of the last second, and the raw word behind it, which tells a barometer that repeats itself."""
        if raw != self._last_raw:
            self._last_raw = raw
            self._changed_s = now_s
        trend = self.pressure
        if now_s - trend.newest_s() > _FRESH_S:
            trend.clear()
        trend.add(pressure_pa, now_s)

    def add_receiver(self, altitude: int, now_s: int) -> None:
        """Altitude of a three-dimensional fix. [m]"""
        trend = self.receiver
        if now_s - trend.newest_s() > _FRESH_S:
            trend.clear()
        trend.add(altitude, now_s)

    def decide(self, now_s: int) -> bool:
        """Judge; True if the phase changed."""
        passed_s = now_s - self._last_s
        self._last_s = now_s
        trend = self._choose(now_s)
        if trend is None:
            return False
        self.altitude_m = trend.altitude_m
        self._highest_m = max(self._highest_m, trend.altitude_m)
        self._rest_s = self._rest_s + passed_s if trend.is_still else 0
        wanted = self._wanted(trend, now_s)
        if wanted == self.phase:
            self._agreeing = 0
            return False
        self._agreeing = self._agreeing + 1 if wanted == self._candidate else 1
        self._candidate = wanted
        if self._agreeing < _AGREEING:
            return False
        self.phase = wanted
        self._agreeing = 0
        self._slow_count = 0
        self._is_slow_rise = False
        if wanted == events.PHASE_GROUND:
            self._highest_m = trend.altitude_m
        else:
            self._was_flying = wanted != events.PHASE_ASCENDING or self._was_flying or trend.altitude_m > _HIGH_M
        return True

    def pressure_altitude_m(self, now_s: int):
        """Pressure altitude of the last seconds; None if the barometer is silent, stuck or too noisy. [m]"""
        trend = self.pressure
        if not trend.is_blind and now_s - trend.newest_s() <= _FRESH_S and now_s - self._changed_s <= _FROZEN_S:
            return trend.altitude_m
        return None

    def _choose(self, now_s):
        """The trend to go by, or None if neither is any good; sets `source`."""
        if self.pressure_altitude_m(now_s) is not None:
            self.source = events.BAROMETER
            return self.pressure
        trend = self.receiver
        if not trend.is_blind and now_s - trend.newest_s() <= _FRESH_S:
            self.source = events.GNSS
            return trend
        return None

    def _wanted(self, trend, now_s):
        phase = self.phase
        climb_dmps = trend.climb_dmps
        if trend.altitude_m > _HIGH_M:
            if climb_dmps <= _FALL_DMPS:
                return events.PHASE_DESCENDING
            if climb_dmps >= _CLIMB_DMPS or phase == events.PHASE_GROUND or phase == events.PHASE_LANDED:
                return events.PHASE_ASCENDING
            return phase
        if phase == events.PHASE_ASCENDING:
            if climb_dmps <= _FALL_DMPS:
                return events.PHASE_DESCENDING
            if self._rest_s >= _ASCENT_REST_S - 60 and trend.altitude_m < _LANDING_M_MAX:
                has_fallen = trend.altitude_m < self._highest_m - _FALLEN_M
                return events.PHASE_LANDED if has_fallen or self._was_flying else events.PHASE_GROUND
            return phase
        if trend.rise_m >= _FLIGHT_M:
            return events.PHASE_ASCENDING
        if phase == events.PHASE_DESCENDING:
            return events.PHASE_LANDED if trend.is_still and trend.altitude_m < _LANDING_M_MAX else phase
        if trend.rise_m <= -_FLIGHT_M:
            return events.PHASE_DESCENDING
        return events.PHASE_ASCENDING if self._rises_slowly(trend.altitude_m, now_s) else phase

    def _rises_slowly(self, altitude, now_s):
        """True if the altitude was 800 m lower 500 s ago."""
        if now_s >= self._slow_next_s:
            self._slow_next_s = now_s + _SLOW_EVERY_S
            slow = self._slow
            place = self._slow_place
            self._is_slow_rise = self._slow_count == _SLOW_KEPT and altitude - slow[place] >= _SLOW_RISE_M
            slow[place] = altitude
            self._slow_place = place + 1 if place + 1 < _SLOW_KEPT else 0
            if self._slow_count < _SLOW_KEPT:
                self._slow_count += 1
        return self._is_slow_rise

"""Which of four states a receiver is in: no answer, no fix, fix, and fix lost or frozen at an altitude limit.

A receiver goes silent, or repeats its last position, above the limit of its dynamic model (12 000 m in the default one,
50 000 or 80 000 m in the airborne ones) or above 18 000 m (the export limit, which some makers apply to height alone).
Without that knowledge a team takes the silence for a dead receiver. Sources: u-blox integration manuals, table of
dynamic platform models; the 18 000 m rule on height alone is common practice, no source.
"""

from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FIX_NONE, FLAG_FROZEN, UNKNOWN_I32

ANSWER_MS = const(5000)  # without an intact message for so long: no answer
FIX_MS = const(5000)  # without a fix for so long: no fix

_FROZEN_ROWS = const(10)
_FROZEN_M = const(100)
_NEAR_M = const(600)  # geoid, pressure altitude against true height, a climb between two fixes
_BELOW_M = const(2000)  # so far below the limit by pressure, the limit can't be the reason any more
_EXPORT_LIMIT_M = const(18000)
_FIRST_FIX_MS = const(180000)
_MODEL_LIMITS_M = (12000, 12000, 9000, 9000, 6000, 500, 50000, 50000, 50000, 9000)  # by model number; there is no 1
_AIRBORNE_LIMIT_M = const(80000)  # of the newer generations


class GnssWatch:
    """see() each row, then look() now and then; `state` is one of events.GNSS_*."""

    def __init__(self):
        self.state = events.GNSS_NO_ANSWER
        self.frozen = False
        self.last_altitude_m = None  # of the last three-dimensional fix that was not frozen
        self._fix_ms = None
        self._answer_ms = None
        self._first_ms = -1  # of the first look()
        self._said = -1
        self._rows = 0  # rows in a row with the same position
        self._rows_m = None  # pressure altitude at the first of them
        self._latitude = UNKNOWN_I32
        self._longitude = UNKNOWN_I32
        self._altitude = UNKNOWN_I32

    def answered(self, now_ms: int) -> None:
        """An intact message came."""
        self._answer_ms = now_ms

    def see(self, fix, pressure_altitude_m, now_ms: int) -> None:
        """Take note of a `fix` row and flag it if it is frozen."""
        if fix.fix_type == FIX_NONE:
            self._rows = 0
            self.frozen = False
            return
        if fix.latitude == self._latitude and fix.longitude == self._longitude and fix.altitude == self._altitude:
            self._rows += 1
        else:
            self._rows = 0
            self._rows_m = pressure_altitude_m
            self._latitude = fix.latitude
            self._longitude = fix.longitude
            self._altitude = fix.altitude
        then_m = self._rows_m
        if pressure_altitude_m is None or then_m is None:
            self.frozen = False
        else:
            self.frozen = self._rows >= _FROZEN_ROWS and abs(pressure_altitude_m - then_m) >= _FROZEN_M
        if self.frozen:
            fix.flags |= FLAG_FROZEN
        else:
            self._fix_ms = now_ms
            if fix.altitude != UNKNOWN_I32:
                self.last_altitude_m = fix.altitude // 1000

    def see_position(self, now_ms: int) -> None:
        """An `ecef` row came: a fix without a height above sea level."""
        self._fix_ms = now_ms

    def look(self, pressure_altitude_m, model: int, now_ms: int) -> bool:
        """Decide the state; True if it is to be reported. `model` is the one read back, -1 if none was."""
        if self._first_ms < 0:
            self._first_ms = now_ms
        if self._fix_ms is not None and now_ms - self._fix_ms < FIX_MS and not self.frozen:
            state = events.GNSS_FIX
        elif self._at_limit(pressure_altitude_m, model, now_ms):
            state = events.GNSS_ALTITUDE_LIMIT
        elif self._answer_ms is not None and now_ms - self._answer_ms < ANSWER_MS:
            state = events.GNSS_NO_FIX
        else:
            state = events.GNSS_NO_ANSWER
        self.state = state
        starting = self._said < 0 and now_ms - self._first_ms < ANSWER_MS
        if state == self._said or (starting and state == events.GNSS_NO_ANSWER):
            return False
        self._said = state
        return True

    def _at_limit(self, pressure_altitude_m, model: int, now_ms: int) -> bool:
        if self.frozen:
            return True
        limit = _MODEL_LIMITS_M[model] if 0 <= model < len(_MODEL_LIMITS_M) else _MODEL_LIMITS_M[0]
        last = self.last_altitude_m
        if last is None:  # no fix since this start of the board, perhaps in mid-flight
            if pressure_altitude_m is None:
                return False
            return pressure_altitude_m >= limit or (
                pressure_altitude_m >= _EXPORT_LIMIT_M and now_ms - self._first_ms >= _FIRST_FIX_MS
            )
        return (
            _is_near(limit, last, pressure_altitude_m)
            or _is_near(_EXPORT_LIMIT_M, last, pressure_altitude_m)
            or _is_near(_AIRBORNE_LIMIT_M, last, pressure_altitude_m)
        )


def _is_near(limit_m: int, last_m: int, pressure_altitude_m) -> bool:
    """True if the last fix was at a limit, and the pressure does not say that we have left it."""
    if abs(last_m - limit_m) > _NEAR_M:
        return False
    return pressure_altitude_m is None or pressure_altitude_m >= limit_m - _BELOW_M

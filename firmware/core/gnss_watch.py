"""Which of four states a receiver is in: no answer, no fix, fix, and fix lost or frozen at an altitude limit.

A receiver goes silent, or repeats its last position, above the limit of its dynamic model (12 000 m in the default one,
50 000 or 80 000 m in the airborne ones) or above 18 000 m (the export limit, which some makers apply to height alone).
Without that knowledge a team takes the silence for a dead receiver, so the limit that explains it is named: `reason`
is the code of an event that says it. Sources: u-blox integration manuals, table of dynamic platform models; 50 000 m
for older generations from secondary sources; the 18 000 m rule on height alone is common practice, no source.

A limit is only claimed when the fix went away near it, the pressure altitude has not fallen since, and the receiver
has not just restarted; it is named once the pressure altitude has risen. It then holds until a fix comes or the
pressure says that the box is far below it.
"""

from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FIX_NONE, FLAG_FROZEN, FLAG_JUMP, UNKNOWN_I32

ANSWER_MS = const(5000)  # without an intact message for so long: no answer
FIX_MS = const(5000)  # without a fix for so long: no fix

_FROZEN_ROWS = const(10)
_FROZEN_M = const(100)  # of pressure altitude, between rows of the same position
_FROZEN_MMPS = const(2000)  # or the receiver itself says that it moves,
_HIGH_MM = const(9000000)  # or it is where nobody stands still: live positions differ by their noise
_NEAR_M = const(400)  # between a limit and the last fix: the geoid, 60 000 feet, a climb between two fixes
_RISEN_M = const(40)  # of pressure altitude since the last fix: more than noise
_BELOW_M = const(2000)  # so far below the limit by pressure, the limit can't be the reason any more
_LIMIT_MS = const(8000)  # without a fix for so long: look for a limit
_FIXED_LIMIT_M = const(18000)
_FIRST_FIX_MS = const(60000)  # from a start to a fix, with time to spare
_FIRST_FIX_LATE_MS = const(180000)  # and under a poor sky
_MODEL_LIMITS_M = (12000, 12000, 9000, 9000, 6000, 500, 50000, 50000, 50000, 9000)  # by model number; there is no 1
_AIRBORNE_MIN = const(6)
_AIRBORNE_MAX = const(8)


class GnssWatch:
    """see() each row, then look() now and then; `state` is one of events.GNSS_*.

    When `reason` is not 0 there is an event to write: its code, and `reason_a` and `reason_b`.
    """

    def __init__(self):
        self.state = events.GNSS_NO_ANSWER
        self.frozen = False
        self.last_altitude_m = None  # of the last three-dimensional fix that was neither frozen nor a jump
        self.airborne_limit_m = _MODEL_LIMITS_M[_AIRBORNE_MIN]
        self.reason = 0
        self.reason_a = 0
        self.reason_b = 0
        self._fix_ms = None
        self._fix_pressure_m = None  # pressure altitude at that fix
        self._answer_ms = None
        self._first_ms = -1  # of the first look(), or of the receiver's restart
        self._said = -1
        self._limit_m = 0  # the limit that explains the present silence, 0: none
        self._is_explained = False  # this silence has been
        self._rows = 0  # rows in a row with the same position
        self._rows_ms = 0  # when the first of them came
        self._rows_m = None  # pressure altitude then
        self._latitude = UNKNOWN_I32
        self._longitude = UNKNOWN_I32
        self._altitude = UNKNOWN_I32

    def answered(self, now_ms: int) -> None:
        """An intact message came."""
        self._answer_ms = now_ms

    def restarted(self, now_ms: int) -> None:
        """The receiver has started anew: that explains a silence for a while."""
        self._first_ms = now_ms
        self.last_altitude_m = None

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
            self._rows_ms = now_ms
            self._rows_m = pressure_altitude_m
            self._latitude = fix.latitude
            self._longitude = fix.longitude
            self._altitude = fix.altitude
        if self._is_frozen(fix, pressure_altitude_m):
            if not self.frozen:
                self.reason = events.GNSS_FROZEN
                self.reason_a = 0 if fix.altitude == UNKNOWN_I32 else fix.altitude // 1000
                self.reason_b = (now_ms - self._rows_ms) // 1000
            self.frozen = True
            fix.flags |= FLAG_FROZEN
            return
        self.frozen = False
        self._fix_ms = now_ms
        self._limit_m = 0
        self._is_explained = False
        if fix.altitude != UNKNOWN_I32 and not fix.flags & FLAG_JUMP:
            self.last_altitude_m = fix.altitude // 1000
            self._fix_pressure_m = pressure_altitude_m

    def _is_frozen(self, fix, pressure_altitude_m) -> bool:
        """True if a live receiver could not have said this position so often."""
        if self._rows < _FROZEN_ROWS:
            return False
        if self.frozen or (fix.altitude != UNKNOWN_I32 and fix.altitude >= _HIGH_MM):
            return True
        if fix.speed >= _FROZEN_MMPS or (fix.climb != UNKNOWN_I32 and abs(fix.climb) >= _FROZEN_MMPS):
            return True
        then_m = self._rows_m
        if pressure_altitude_m is None or then_m is None:
            return False
        return abs(pressure_altitude_m - then_m) >= _FROZEN_M

    def see_position(self, now_ms: int) -> None:
        """An `ecef` row came: a fix without a height above sea level."""
        self._fix_ms = now_ms

    def look(self, pressure_altitude_m, model: int, now_ms: int) -> bool:
        """Decide the state; True if it is to be reported. `model` is the one read back, -1 if none was."""
        if self._first_ms < 0:
            self._first_ms = now_ms
        if self._fix_ms is not None and now_ms - self._fix_ms < FIX_MS and not self.frozen:
            state = events.GNSS_FIX
        elif self.frozen or self._at_limit(pressure_altitude_m, model, now_ms):
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

    def _at_limit(self, height_m, model: int, now_ms: int) -> bool:
        """Whether a limit explains that there is no fix."""
        limit = self._limit_m
        if limit and height_m is not None and height_m < limit - _BELOW_M:
            self._limit_m = 0
            self._is_explained = True  # what went before is over
            return False
        if self.last_altitude_m is None:
            return limit > 0 or self._starts_above(height_m, model, now_ms)
        if self._is_explained or self._fix_ms is None or now_ms - self._fix_ms < _LIMIT_MS:
            return limit > 0
        is_blind = height_m is None or self._fix_pressure_m is None
        risen_m = 0 if is_blind else height_m - self._fix_pressure_m
        if not limit:
            limit = self._limit_at(self.last_altitude_m, model)
            if risen_m <= -_RISEN_M:
                return False
            self._limit_m = limit
        if is_blind and limit:
            self._explain(events.GNSS_LIMIT_LIKELY, limit, -1)
        elif risen_m >= _RISEN_M:
            self._explain_rise(limit, model, height_m)
        return limit > 0

    def _starts_above(self, height_m, model: int, now_ms: int) -> bool:
        """No fix since this start of the board or of the receiver, perhaps in mid-flight."""
        waited_ms = now_ms - self._first_ms
        if height_m is None or waited_ms < _FIRST_FIX_MS:
            return False
        limit = self._limit_of(model)
        if height_m < limit:
            limit = _FIXED_LIMIT_M
            if height_m < limit or waited_ms < _FIRST_FIX_LATE_MS:
                return False
        self._limit_m = limit
        self._explain(events.GNSS_LIMIT_LIKELY, limit, height_m)
        return True

    def _limit_at(self, last_m: int, model: int) -> int:
        """The limit that lies where the last fix was, 0: none does."""
        limit = self._limit_of(model)
        if abs(last_m - limit) <= _NEAR_M:
            return limit
        return _FIXED_LIMIT_M if abs(last_m - _FIXED_LIMIT_M) <= _NEAR_M else 0

    def _explain_rise(self, limit: int, model: int, height_m: int) -> None:
        """Say which limit it is, or that none is known."""
        last = self.last_altitude_m
        if limit == 0:
            if last * 1000 >= _HIGH_MM:
                self._explain(events.GNSS_LOST_HIGH, last, height_m)
        elif limit != self._limit_of(model):
            self._explain(events.GNSS_LIMIT_FIXED, limit, height_m)
        elif _AIRBORNE_MIN <= model <= _AIRBORNE_MAX:
            self._explain(events.GNSS_LIMIT_AIRBORNE, limit, height_m)
        elif model > 0:
            self._explain(events.GNSS_LIMIT_MODEL, limit, model)
        else:
            self._explain(events.GNSS_LIMIT_DEFAULT, limit, height_m)

    def _explain(self, code: int, a: int, b: int) -> None:
        """Note the reason of a silence, once."""
        self._is_explained = True
        self.reason = code
        self.reason_a = a
        self.reason_b = int(b)

    def _limit_of(self, model: int) -> int:
        """Where a receiver in this model stops; one that never said its model is in the default one."""
        if _AIRBORNE_MIN <= model <= _AIRBORNE_MAX:
            return self.airborne_limit_m
        return _MODEL_LIMITS_M[model] if 0 <= model < len(_MODEL_LIMITS_M) else _MODEL_LIMITS_M[0]

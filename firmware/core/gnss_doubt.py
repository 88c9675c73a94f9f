"""What a receiver says that can't be: places and heights that nothing reaches in the time, and a clock that steps.

A row that lies too far from the last good one is flagged as a jump. Should the receiver insist (five rows that agree
with each other), the new place is believed: the old one was wrong, or too long ago. The speeds allowed are beyond any
balloon's: 150 m/s over ground (jet streams reach 100), 250 m/s up or down (a box falling without a canopy at 35 km).
Common practice, no source. All in whole numbers, and nothing here allocates after construction.
"""

from shared_protocol.compat import const
from shared_protocol.records import FIX_3D, FIX_NONE, FLAG_ASSUMED_DATE, UNKNOWN_I32

_ACROSS_M = const(500)  # allowed besides the speed: noise, a solution that settles
_ACROSS_MPS = const(150)
_UP_M = const(400)
_UP_MPS = const(250)
_AGREEING = const(5)
_UNITS_PER_M = const(90)  # one metre of latitude in 1e-7 deg, 89.93 in truth
_TURN = const(3600000000)  # 360 degrees [1e-7 deg]
_TEN_DEGREES = const(100000000)
_COSINES = (252, 240, 221, 196, 164, 128, 87, 44, 0)  # x 256, the least of each ten degrees of latitude

_STEP_MS = const(1500)  # rows come up to a second late when the line is busy
_DAY_MS = const(86400000)
_HALF_DAY_MS = const(43200000)


class PlaceDoubt:
    """is_jump() of each row with a position. `up_m` and `across_m` tell how far the last jump was."""

    def __init__(self):
        self.up_m = 0
        self.across_m = 0
        self._has = False
        self._latitude = 0  # the last row believed
        self._longitude = 0
        self._altitude = UNKNOWN_I32
        self._t_ms = 0
        self._agreeing = 0  # rows in a row that were not believed and agree with each other
        self._other_latitude = 0  # the last of those
        self._other_longitude = 0
        self._other_altitude = UNKNOWN_I32
        self._other_t_ms = 0

    def is_jump(self, fix) -> bool:
        """True if the row is farther from the last good one than anything flies."""
        if fix.fix_type == FIX_NONE or fix.latitude == UNKNOWN_I32:
            return False
        altitude = fix.altitude if fix.fix_type == FIX_3D else UNKNOWN_I32
        if fix.latitude == self._latitude and fix.longitude == self._longitude and altitude == self._altitude:
            self._agreeing = 0
            return False  # said again: how old it is counts from the first time, as the receiver may be frozen
        if self._has and self._is_far(fix, altitude, self._latitude, self._longitude, self._altitude, self._t_ms):
            up_m = self.up_m
            across_m = self.across_m
            if self._agreeing and self._is_far(
                fix, altitude, self._other_latitude, self._other_longitude, self._other_altitude, self._other_t_ms
            ):
                self._agreeing = 0
            self.up_m = up_m  # what counts is the distance from the last good row
            self.across_m = across_m
            self._agreeing += 1
            self._other_latitude = fix.latitude
            self._other_longitude = fix.longitude
            self._other_altitude = altitude
            self._other_t_ms = fix.t_ms
            if self._agreeing < _AGREEING:
                return True
        self._has = True
        self._agreeing = 0
        self._latitude = fix.latitude
        self._longitude = fix.longitude
        if altitude != UNKNOWN_I32:
            self._altitude = altitude
        self._t_ms = fix.t_ms
        return False

    def _is_far(self, fix, altitude: int, latitude: int, longitude: int, then_altitude: int, then_ms: int) -> bool:
        passed_s = (fix.t_ms - then_ms + 999) // 1000
        north_m = abs(fix.latitude - latitude) // _UNITS_PER_M
        turned = abs(fix.longitude - longitude)
        if turned > _TURN // 2:
            turned = _TURN - turned
        place = min(max(abs(fix.latitude), abs(latitude)) // _TEN_DEGREES, 8)
        east_m = (turned // _UNITS_PER_M * _COSINES[place]) >> 8
        # The length of a vector from its components, without a root, to 7 %: the larger and 3/8 of the smaller.
        self.across_m = max(north_m, east_m) + min(north_m, east_m) * 3 // 8
        self.up_m = 0
        if altitude != UNKNOWN_I32 and then_altitude != UNKNOWN_I32:
            self.up_m = (altitude - then_altitude) // 1000
        return self.across_m > _ACROSS_M + _ACROSS_MPS * passed_s or abs(self.up_m) > _UP_M + _UP_MPS * passed_s


class ClockDoubt:
    """steps() of each row. `days` and `ms` tell how far the receiver's clock stepped against the board's."""

    def __init__(self):
        self.days = 0
        self.ms = 0
        self._utc = UNKNOWN_I32
        self._t_ms = 0
        self._day = -1  # -1: the row said no date of its own

    def steps(self, fix) -> bool:
        """True if the time that passed for the receiver is not what passed for the board."""
        utc = fix.utc
        if utc == UNKNOWN_I32:
            return False
        day = -1
        if fix.year and not fix.flags & FLAG_ASSUMED_DATE:
            day = day_number(fix.year, fix.month, fix.day)
        has_stepped = False
        if self._utc != UNKNOWN_I32:
            late = utc - self._utc - (fix.t_ms - self._t_ms)
            turns = (late + _HALF_DAY_MS) // _DAY_MS
            self.ms = late - turns * _DAY_MS
            self.days = day - self._day + turns if day >= 0 and self._day >= 0 else 0
            has_stepped = self.days != 0 or abs(self.ms) > _STEP_MS
        self._utc = utc
        self._t_ms = fix.t_ms
        self._day = day
        return has_stepped


def day_number(year: int, month: int, day: int) -> int:
    """Days since 0000-03-01 by the Gregorian rules."""
    if month < 3:
        year -= 1
        month += 12
    return 365 * year + year // 4 - year // 100 + year // 400 + (153 * (month - 3) + 2) // 5 + day - 1

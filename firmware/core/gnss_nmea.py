"""Fields of the four sentences that make a fix, as whole numbers, without allocation.

Source: NMEA 0183 field lists as in several receiver manuals. Fields are counted from 0, the address field. Versions
differ in how many fields follow the ones below (mode, navigational status, system id): those are left alone.
"""

from array import array

from firmware.core.gnss_numbers import angle, fixed, is_date, time_of_day, two_digits
from shared_protocol.compat import const
from shared_protocol.records import UNKNOWN_I32, UNKNOWN_U16

_FIELDS_MAX = const(24)


class Sentence:
    """The fields of the sentence read last; where there is none, 0 for a date and the records' own marks elsewhere."""

    def __init__(self):
        self._at = array("H", [0] * (_FIELDS_MAX + 1))
        self._count = 0
        self._buf = b""
        self.time_ms = UNKNOWN_I32  # of the UTC day
        self.year = 0
        self.month = 0
        self.day = 0
        self.valid = False  # the receiver says that it has a fix, and there is a position
        self.latitude = UNKNOWN_I32  # [1e-7 deg]
        self.longitude = UNKNOWN_I32
        self.altitude = UNKNOWN_I32  # above mean sea level [mm]
        self.ellipsoid_height = UNKNOWN_I32  # [mm]
        self.speed = UNKNOWN_I32  # [mm/s]
        self.course = UNKNOWN_I32  # [1e-5 deg]
        self.hdop = UNKNOWN_U16  # [0.01]
        self.satellites = 0xFF
        self.mode = 0  # GSA: 1 no fix, 2 2D, 3 3D; 0 not said

    def read_rmc(self, buf, begin: int, star: int) -> None:
        """Time, date, status, position, speed and course."""
        self._split(buf, begin, star)
        self.time_ms = self._time(1)
        self._read_date(9)
        self._read_position(3, self._letter(2) == 65)  # "A"; the V of field 13 in newer versions is another matter
        speed = self._fixed(7, 3)
        # One knot is 1852 m in 3600 s: mm/s = thousandths of a knot x 463 / 900, in small integers up to 2300 knots.
        self.speed = (speed * 463 + 450) // 900 if 0 <= speed < 2300000 else UNKNOWN_I32
        course = self._fixed(8, 5)
        self.course = course if 0 <= course <= 36000000 else UNKNOWN_I32

    def read_gga(self, buf, begin: int, star: int) -> None:
        """Time, quality, position, satellites, dilution, height above sea level and above the ellipsoid."""
        self._split(buf, begin, star)
        self.time_ms = self._time(1)
        quality = self._fixed(6, 0)
        self._read_position(2, quality > 0)
        satellites = self._fixed(7, 0)
        self.satellites = satellites if 0 <= satellites < 0xFF else 0xFF
        hdop = self._fixed(8, 2)
        self.hdop = hdop if 0 <= hdop < UNKNOWN_U16 else UNKNOWN_U16
        altitude = UNKNOWN_I32
        height = UNKNOWN_I32
        if self.valid:
            altitude = self._fixed(9, 3)
            separation = self._fixed(11, 3)
            if altitude != UNKNOWN_I32 and separation != UNKNOWN_I32:
                height = altitude + separation  # field 11 is geoid minus ellipsoid
        self.altitude = altitude
        self.ellipsoid_height = height

    def read_gsa(self, buf, begin: int, star: int) -> None:
        """Fix mode only."""
        self._split(buf, begin, star)
        mode = self._letter(2) - 48
        self.mode = mode if 1 <= mode <= 3 else 0

    def read_zda(self, buf, begin: int, star: int) -> None:
        """Time and date."""
        self._split(buf, begin, star)
        self.time_ms = self._time(1)
        self._set_date(self._fixed(4, 0), self._fixed(3, 0), self._fixed(2, 0))

    def _split(self, buf, begin: int, star: int) -> None:
        """Note where each field begins; a field ends one before the next one's begin."""
        at = self._at
        count = 1
        at[0] = begin + 1
        place = buf.find(b",", begin, star)
        while place >= 0 and count < _FIELDS_MAX:
            at[count] = place + 1
            count += 1
            place = buf.find(b",", place + 1, star)
        at[count] = star + 1 if place < 0 else place + 1
        self._count = count
        self._buf = buf

    def _fixed(self, field: int, decimals: int) -> int:
        if field >= self._count:
            return UNKNOWN_I32
        at = self._at
        return fixed(self._buf, at[field], at[field + 1] - 1, decimals)

    def _letter(self, field: int) -> int:
        """A field of one character, or 0."""
        at = self._at
        if field < self._count and at[field + 1] - at[field] == 2:
            return self._buf[at[field]]
        return 0

    def _time(self, field: int) -> int:
        if field >= self._count:
            return UNKNOWN_I32
        at = self._at
        return time_of_day(self._buf, at[field], at[field + 1] - 1)

    def _read_position(self, field: int, claimed: bool) -> None:
        self.valid = False
        self.latitude = UNKNOWN_I32
        self.longitude = UNKNOWN_I32
        if not claimed or field + 3 >= self._count:
            return
        at = self._at
        latitude = angle(self._buf, at[field], at[field + 1] - 1, self._letter(field + 1), 90)
        longitude = angle(self._buf, at[field + 2], at[field + 3] - 1, self._letter(field + 3), 180)
        if latitude != UNKNOWN_I32 and longitude != UNKNOWN_I32:
            self.latitude = latitude
            self.longitude = longitude
            self.valid = True

    def _read_date(self, field: int) -> None:
        """ddmmyy; 80 to 99 are of the last century, because GPS began in 1980."""
        at = self._at
        if field >= self._count or at[field + 1] - at[field] != 7:
            self._set_date(0, 0, 0)
            return
        begin = at[field]
        buf = self._buf
        year = two_digits(buf, begin + 4)
        year += 1900 if year >= 80 else 2000
        self._set_date(year, two_digits(buf, begin + 2), two_digits(buf, begin))

    def _set_date(self, year: int, month: int, day: int) -> None:
        if not is_date(year, month, day):
            year = month = day = 0
        self.year = year
        self.month = month
        self.day = day

"""The two rows that a receiver's messages become: the fields of the `fix` and `ecef` records, and when they came."""

from shared_protocol.compat import const
from shared_protocol.records import FIX_NONE, UNKNOWN_I32, UNKNOWN_U16, UNKNOWN_U32

UNKNOWN_LEAP = const(-128)


class Fix:
    """The integer fields of a `fix` record, by their declared names, and `t_ms`, when its burst began."""

    def __init__(self):
        self.t_ms = 0
        self.clear()

    def clear(self) -> None:
        """Everything unknown."""
        self.year = 0
        self.month = 0
        self.day = 0
        self.utc = UNKNOWN_I32
        self.satellites = 0xFF
        self.source = 0
        self.flags = 0
        self.hdop = UNKNOWN_U16
        self.clear_position()

    def clear_position(self) -> None:
        """All that only a fix can know is unknown."""
        self.latitude = UNKNOWN_I32
        self.longitude = UNKNOWN_I32
        self.altitude = UNKNOWN_I32
        self.ellipsoid_height = UNKNOWN_I32
        self.speed = UNKNOWN_I32
        self.course = UNKNOWN_I32
        self.climb = UNKNOWN_I32
        self.accuracy = UNKNOWN_U32
        self.fix_type = FIX_NONE

    def copy(self, other: "Fix") -> None:
        """Become equal to `other`."""
        self.t_ms = other.t_ms
        self.year = other.year
        self.month = other.month
        self.day = other.day
        self.utc = other.utc
        self.latitude = other.latitude
        self.longitude = other.longitude
        self.altitude = other.altitude
        self.ellipsoid_height = other.ellipsoid_height
        self.speed = other.speed
        self.course = other.course
        self.climb = other.climb
        self.accuracy = other.accuracy
        self.hdop = other.hdop
        self.satellites = other.satellites
        self.fix_type = other.fix_type
        self.source = other.source
        self.flags = other.flags


class Ecef:
    """The integer fields of an `ecef` record, by their declared names, and `t_ms`, when its burst began."""

    def __init__(self):
        self.t_ms = 0
        self.tow = 0
        self.week = -1
        self.satellites = 0xFF
        self.fix_type = FIX_NONE
        self.leap = UNKNOWN_LEAP
        self.flags = 0
        self.x = 0
        self.y = 0
        self.z = 0
        self.accuracy = UNKNOWN_U32

    def copy(self, other: "Ecef") -> None:
        """Become equal to `other`."""
        self.t_ms = other.t_ms
        self.tow = other.tow
        self.week = other.week
        self.satellites = other.satellites
        self.fix_type = other.fix_type
        self.leap = other.leap
        self.flags = other.flags
        self.x = other.x
        self.y = other.y
        self.z = other.z
        self.accuracy = other.accuracy

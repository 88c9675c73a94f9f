"""One fix per epoch: sentences and binary messages of the same time become one row."""

from shared_protocol.records import UNKNOWN_I32, UNKNOWN_U16, UNKNOWN_U32


class Fix:
    """The integer fields of a `fix` record, by their declared names, and `t_ms` of the first byte of its burst."""

    def __init__(self):
        self.t_ms = 0
        self.clear()

    def clear(self):
        """Everything unknown."""
        self.year = 0
        self.month = 0
        self.day = 0
        self.utc = UNKNOWN_I32
        self.latitude = UNKNOWN_I32
        self.longitude = UNKNOWN_I32
        self.altitude = UNKNOWN_I32
        self.ellipsoid_height = UNKNOWN_I32
        self.speed = UNKNOWN_I32
        self.course = UNKNOWN_I32
        self.climb = UNKNOWN_I32
        self.accuracy = UNKNOWN_U32
        self.hdop = UNKNOWN_U16
        self.satellites = 0xFF
        self.fix_type = 0
        self.source = 0
        self.flags = 0


class Ecef:
    """The integer fields of an `ecef` record, by their declared names, and `t_ms` of its first byte."""

    def __init__(self):
        self.t_ms = 0
        self.tow = 0
        self.week = -1
        self.satellites = 0xFF
        self.fix_type = 0
        self.leap = -128
        self.flags = 0
        self.x = 0
        self.y = 0
        self.z = 0
        self.accuracy = UNKNOWN_U32

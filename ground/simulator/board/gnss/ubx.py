"""UBX frames: checksum, an incremental parser for what the host sends, and NAV-PVT.

Source: u-blox M8 receiver description (UBX-13003221), sections 32.2 to 32.4, and M10 interface description
(UBX-21035062). A frame is B5 62, class, id, length (little-endian), payload, and the 8-bit Fletcher checksum over
everything from class to the end of the payload.
"""

from struct import pack

_PAYLOAD_MAX = 512
_NAV_PVT = "<IHBBBBBBIiBBBBiiiiIIiiiiiIIHHHHihH"
UNKNOWN_ACCURACY = 0xFFFFFFFF


def checksum(data):
    """(CK_A, CK_B) over class, id, length and payload."""
    a = b = 0
    for byte in data:
        a += byte
        b += a
    return a & 0xFF, b & 0xFF


def frame(message_class, message_id, payload=b""):
    body = pack("<BBH", message_class, message_id, len(payload)) + payload
    a, b = checksum(body)
    return b"\xb5\x62" + body + bytes((a, b))


class CommandParser:
    """Bytes from the host in, whole frames out. A wrong checksum throws away the sync bytes only."""

    def __init__(self):
        self._buffer = b""
        self.bad_count = 0

    def feed(self, data):
        """List of (class, id, payload) completed by these bytes."""
        buffer = self._buffer + data
        frames = []
        while True:
            start = buffer.find(b"\xb5\x62")
            if start < 0:
                buffer = b"\xb5" if buffer[-1:] == b"\xb5" else b""
                break
            buffer = buffer[start:]
            if len(buffer) < 6:
                break
            length = buffer[4] | buffer[5] << 8
            if length > _PAYLOAD_MAX:
                buffer = buffer[2:]
                continue
            if len(buffer) < length + 8:
                break
            if checksum(buffer[2:length + 6]) == (buffer[length + 6], buffer[length + 7]):
                frames.append((buffer[2], buffer[3], buffer[6:length + 6]))
                buffer = buffer[length + 8:]
            else:
                self.bad_count += 1
                buffer = buffer[2:]
        self._buffer = buffer
        return frames


def nav_pvt(fix):
    """NAV-PVT of an epoch: 92 bytes; heights and speeds in mm, velocity down positive, longitude first."""
    year, month, day, hour, minute, second = fix.date if fix.date else (2015, 10, 18, 0, 0, 0)
    valid = 0x07 if fix.date else 0
    if not fix.valid and not fix.repeats:
        return pack(_NAV_PVT, fix.itow_ms, year, month, day, hour, minute, second, valid,
                    1000 if valid else UNKNOWN_ACCURACY, 0, 0, 0, 0, 0, 0, 0, 0, 0, UNKNOWN_ACCURACY,
                    UNKNOWN_ACCURACY, 0, 0, 0, 0, 0, 20000, 18000000, 9999, 0, 0, 0, 0, 0, 0)
    altitude_mm = _round(fix.altitude_m * 1000)
    height_mm = altitude_mm + _round(fix.geoid_separation_m * 1000)
    return pack(
        _NAV_PVT, fix.itow_ms, year, month, day, hour, minute, second, valid,
        25, fix.nano_ns, fix.fix_type, 0x01 if fix.valid else 0x00, 0xE0, fix.satellites,
        _round(fix.longitude_deg * 1e7), _round(fix.latitude_deg * 1e7), height_mm, altitude_mm,
        _round(fix.horizontal_accuracy_m * 1000), _round(fix.vertical_accuracy_m * 1000),
        _round(fix.north_mps * 1000), _round(fix.east_mps * 1000), _round(-fix.climb_mps * 1000),
        _round(fix.speed_mps * 1000), _round(fix.course_deg * 1e5), _round(fix.speed_accuracy_mps * 1000),
        200000 if fix.course_known else 18000000, _round(fix.pdop * 100), 0, 0, 0, 0, 0, 0)


def _round(value):
    return int(value + 0.5) if value >= 0 else -int(0.5 - value)

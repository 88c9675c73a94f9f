"""What goes over the serial line between a board on the bench and the ground: frames with CRC in both directions.

They look like the frames of a log (frame.py). Up come the flight computer's own records, numbered and timed as in the
log, and the link's own: a hello, replies, a status each second. Down go commands. All of it is salted for the session,
a random number that the board chooses when the bench starts; only the hello, and the commands that ask for it or end
the bench, may come unsalted, so that a program which knows no session can find out about it.

A lost or garbled byte costs the frame it was in: whoever reads looks for the next sync word behind the bad one.
"""

import struct
from binascii import crc32

from shared_protocol.compat import const
from shared_protocol.crc import frame_salt

LINK_VERSION = const(1)
LINK_ID = const(0x1D1E7713)  # stands where a log's id stands, in salts and in what is decoded of a link

SYNC_0 = const(0xA5)
SYNC_1 = const(0x5A)
PREFIX = "<BBBBHI"  # sync, type, payload length, number, t_ms; as in a log
PREFIX_SIZE = const(10)
CRC_SIZE = const(4)
OVERHEAD = const(14)

HELLO = const(64)
COMMAND = const(65)
REPLY = const(66)
STATUS = const(67)

ASK_HELLO = const(1)
STOP = const(2)
ECHO = const(3)
SOUNDER = const(4)
LED = const(5)
CARD_TEST = const(6)
AIRBORNE = const(7)
MEMORY = const(8)
INTRODUCE = const(9)
BUS_SCAN = const(10)

DONE = const(0)
BUSY = const(1)
UNKNOWN = const(2)
FAILED = const(3)
MISSING = const(4)

# As in records.py: (name, code, unit, divisor, invalid, meaning). None of them is ever in a log.
LINK_RECORDS = (
    (HELLO, "hello", (
        ("link", "B", "", 1, None, "version of the link"),
        ("flags", "B", "", 1, None, "bit 0: the log is open; bit 1: settings replaced by defaults"),
        ("firmware", "H", "", 1, None, "firmware version, major x 256 + minor"),
        ("session", "I", "", 1, None, "random number of this session: salt is crc32(link id I, session I)"),
        ("boot", "I", "", 1, None, "power-up counter of the board"),
        ("log_id", "I", "", 1, 0, "of the log that is being written"),
        ("settings_crc", "I", "", 1, 0, "CRC-32 of the settings file"),
        ("build", "I", "", 1, 0, "CRC-32 of the list of installed files"),
        ("board_id", "8s", "", 1, None, "serial number of the board"),
        ("micropython", "12s", "", 1, None, "version of MicroPython"),
        ("machine", "36s", "", 1, None, "what MicroPython calls the board"),
    )),
    (COMMAND, "command", (
        ("code", "B", "", 1, None, "see commands"),
        ("spare", "B", "", 1, None, "0"),
        ("a", "i", "", 1, None, "first argument"),
        ("b", "i", "", 1, None, "second argument"),
    )),
    (REPLY, "reply", (
        ("code", "B", "", 1, None, "the command's; its number is the command's number as well"),
        ("status", "B", "", 1, None, "0 done, 1 busy, 2 unknown command, 3 failed, 4 the board has no such part"),
        ("a", "i", "", 1, None, "first answer"),
        ("b", "i", "", 1, None, "second answer"),
        ("c", "i", "", 1, None, "third answer"),
        ("d", "i", "", 1, None, "fourth answer"),
    )),
    (STATUS, "status", (
        ("late_max", "H", "ms", 1, None, "longest that the link's turn came late since the last status"),
        ("dropped", "H", "", 1, None, "frames that found no room on the line since the bench began"),
        ("bad", "H", "", 1, None, "bytes from the ground that belonged to no command"),
        ("turns", "H", "", 1, None, "turns of the loop since the last status"),
        ("heap_free", "I", "byte", 1, None, "free memory"),
        ("heap_used", "I", "byte", 1, None, "used memory"),
    )),
)  # fmt: skip

# command: (name, arguments, what the answers say); an argument or answer that is not named is 0
COMMANDS = (
    (ASK_HELLO, "hello", (), ()),
    (STOP, "stop", (), ()),
    (ECHO, "echo", ("a", "b"), ("a", "b")),
    (SOUNDER, "sounder", ("for_ms", "half_ms"), ()),
    (LED, "led", ("for_ms", "half_ms"), ()),
    (CARD_TEST, "card_test", ("sectors",), ("sectors_good", "write_max_us", "write_mean_us", "read_max_us")),
    (AIRBORNE, "airborne", (), ("wanted", "read_back", "confirmed", "protocol")),
    (MEMORY, "memory", (), ("free", "used", "free_after_collect", "collect_us")),
    (INTRODUCE, "introduce", (), ()),
    (BUS_SCAN, "bus_scan", (), ("at_00", "at_20", "at_40", "at_60")),
)


def link_salt(session):
    """CRC start value of every salted frame of a session."""
    return frame_salt(LINK_ID, session)


def payload_format(fields):
    """struct format of a record's payload, little-endian."""
    return "<" + "".join([field[1] for field in fields])


def link_format(record_type):
    """struct format of a link record's payload."""
    for entry in LINK_RECORDS:
        if entry[0] == record_type:
            return payload_format(entry[2])
    raise KeyError(record_type)


def encode(record_type, number, t_ms, values, salt):
    """One frame of the link as bytes. `values` are raw field values in the order of the declaration."""
    payload = struct.pack(link_format(record_type), *values)
    body = struct.pack(PREFIX, SYNC_0, SYNC_1, record_type, len(payload), number & 0xFFFF, t_ms & 0xFFFFFFFF) + payload
    return body + struct.pack("<I", crc32(body, salt))


def encode_mark(session, number, t_ms):
    """A log's sector header that names the session, so that a capture of the line decodes as a log does."""
    body = struct.pack(PREFIX, SYNC_0, SYNC_1, 0, 16, number & 0xFFFF, t_ms & 0xFFFFFFFF)
    body += struct.pack("<IIIBBH", LINK_ID, session, number, 1, 0, 0)
    return body + struct.pack("<I", crc32(body))


class Splitter:
    """Cuts a stream of bytes into frames, whatever lies between them.

    `sizes` is the closed table of what may come: type to payload length. `salts` are the CRC start values that are
    tried, the first one first; `salts` may be changed at any time.
    """

    def __init__(self, sizes, salts):
        self.sizes = sizes
        self.salts = salts
        self.good = 0  # frames
        self.skipped = 0  # bytes that were no part of one
        self._held = b""

    def feed(self, data):
        """The frames that are complete now: a list of `(type, number, t_ms, payload, place of its salt)`."""
        held = self._held + data if self._held else data
        found = []
        at = 0
        end = len(held)
        while True:
            start = held.find(b"\xa5\x5a", at)
            if start < 0:
                start = end - 1 if end > at and held[end - 1] == SYNC_0 else end
                self.skipped += start - at
                at = start
                break
            self.skipped += start - at
            at = start
            if end - at < OVERHEAD:
                break
            length = self.sizes.get(held[at + 2], -1)
            if length != held[at + 3]:
                self.skipped += 1
                at += 1
                continue
            size = OVERHEAD + length
            if end - at < size:
                break
            frame = self._checked(held, at, size)
            if frame is None:
                self.skipped += 1
                at += 1
                continue
            found.append(frame)
            at += size
        self._held = held[at:]
        self.good += len(found)
        return found

    def drop(self):
        """Forget a frame that has begun, after a break in the line."""
        self.skipped += len(self._held)
        self._held = b""

    def _checked(self, held, at, size):
        """The frame at a place, or None if its CRC fits no salt."""
        body = held[at : at + size - CRC_SIZE]
        crc = struct.unpack_from("<I", held, at + size - CRC_SIZE)[0]
        salts = self.salts
        for place in range(len(salts)):
            if crc32(body, salts[place]) == crc:
                prefix = struct.unpack_from(PREFIX, body, 0)
                return prefix[2], prefix[4], prefix[5], body[PREFIX_SIZE:], place
        return None

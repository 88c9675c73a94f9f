"""The receiver: its bytes are fetched ten times a second, its fixes and states written as they come."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.schedule import next_slot
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import ECEF, FIX, FIX_3D, FLAG_FROZEN, FLAG_JUMP, UNKNOWN_I32

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.drivers.gnss import GnssReceiver

_POLL_MS = const(100)  # 96 bytes at 9600 baud
_NOT_THERE = FLAG_FROZEN | FLAG_JUMP  # rows that say nothing about where we are
_POLLS_MAX = const(4)  # in one turn: a burst may end one epoch and begin the next


class GnssTask:
    """Polls the receiver. `altitude_m` and `fix_ms` of the latest three-dimensional fix are for the phase task.

    A fix that is frozen or a jump is written, flagged, and not used.
    """

    def __init__(self, journal: "Journal", receiver: "GnssReceiver"):
        self.receiver = receiver
        self.thinning = 1  # one epoch in so many is written; more than 1 when landed
        self.altitude_m = 0
        self.fix_ms = -1  # -1: there was none yet
        self._event = journal.event
        self._put = journal.put
        self._fix = Frame(FIX)
        self._ecef = Frame(ECEF)
        self._fix_format = self._fix.format
        self._ecef_format = self._ecef.format
        self._until_fix = 0
        self._until_ecef = 0
        self._slot_ms = 0

    def step(self, now_ms: int) -> int:
        """Fetch, and write what is complete; when to come again."""
        receiver = self.receiver
        for _ in range(_POLLS_MAX):
            receiver.poll(now_ms)
            if receiver.event_code:
                self._take_event(now_ms)
            elif not receiver.fix_ready and not receiver.ecef_ready:
                break
            if receiver.fix_ready:
                self._take_fix(now_ms)
            if receiver.ecef_ready:
                self._take_ecef()
        self._slot_ms = next_slot(self._slot_ms, _POLL_MS, now_ms)
        return self._slot_ms

    def _take_event(self, now_ms):
        receiver = self.receiver
        self._event(now_ms, receiver.event_code, events.GNSS, 0, receiver.event_a, receiver.event_b)
        receiver.event_code = 0

    def _take_fix(self, now_ms):
        receiver = self.receiver
        fix = receiver.fix
        receiver.fix_ready = False
        if fix.fix_type == FIX_3D and fix.altitude != UNKNOWN_I32 and not fix.flags & _NOT_THERE:
            self.altitude_m = fix.altitude // 1000
            self.fix_ms = now_ms
        self._until_fix = min(self._until_fix, self.thinning) - 1  # it may have been thinned more until now
        if self._until_fix > 0:
            return
        self._until_fix = self.thinning
        struct.pack_into(
            self._fix_format, self._fix.buffer, PAYLOAD, fix.year, fix.month, fix.day, fix.utc,
            fix.latitude, fix.longitude, fix.altitude, fix.ellipsoid_height, fix.speed, fix.course, fix.climb,
            fix.accuracy, fix.hdop, fix.satellites, fix.fix_type, fix.source, fix.flags,
        )  # fmt: skip
        self._put(self._fix, fix.t_ms)

    def _take_ecef(self):
        receiver = self.receiver
        ecef = receiver.ecef
        receiver.ecef_ready = False
        self._until_ecef = min(self._until_ecef, self.thinning) - 1
        if self._until_ecef > 0:
            return
        self._until_ecef = self.thinning
        struct.pack_into(
            self._ecef_format, self._ecef.buffer, PAYLOAD, ecef.tow, ecef.week, ecef.satellites, ecef.fix_type,
            ecef.leap, ecef.flags, ecef.x, ecef.y, ecef.z, ecef.accuracy,
        )  # fmt: skip
        self._put(self._ecef, ecef.t_ms)

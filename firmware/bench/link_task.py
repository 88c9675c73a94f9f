"""The line to the ground as one more task of the loop: frames up, commands down, a status each second."""

import gc
import struct

from shared_protocol import link
from shared_protocol.compat import const
from shared_protocol.crc import UNSALTED

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.bench.orders import Orders
    from firmware.bench.outbox import Outbox
    from firmware.bench.usb_line import UsbLine

_PERIOD_MS = const(20)
_READ_MAX = const(128)  # bytes in one turn
_STATUS_MS = const(1000)
_QUIET_MS = const(120000)  # nothing from the ground for so long: it is gone
_FLUSH_MS = const(500)
_U16 = const(0xFFFF)


class LinkTask:
    """`is_over` when the ground said stop, `is_left` when it has fallen silent.

    `about()` gives what hello says of the board: flags, firmware, and a tuple of the rest from `boot` on.
    """

    def __init__(self, line: "UsbLine", outbox: "Outbox", orders: "Orders", session: int, about, now_ms: int):
        self._line = line
        self._outbox = outbox
        self._orders = orders
        self._session = session
        self._about = about
        sizes = {link.COMMAND: struct.calcsize(link.link_format(link.COMMAND))}
        self._splitter = link.Splitter(sizes, (link.link_salt(session), UNSALTED))
        self._command_format = link.link_format(link.COMMAND)
        self._number = -1  # of the command that is in work or was answered last
        self._code = 0
        self._reply = b""  # b"" while it is in work
        self._due_ms = now_ms
        self._late_ms_max = 0
        self._turns = 0
        self._status_ms = now_ms
        self._status_number = 0
        self._heard_ms = now_ms
        self._over_at_ms = -1
        self.is_over = False
        self.is_left = False

    def step(self, now_ms: int) -> int:
        """One turn; when to come again."""
        self._late_ms_max = max(self._late_ms_max, now_ms - self._due_ms)
        data = self._line.read(_READ_MAX)
        if data:
            for frame in self._splitter.feed(data):
                self._heard_ms = now_ms
                self._obey(frame, now_ms)
        if self._orders.step(now_ms):
            self._answer(now_ms)
        if now_ms >= self._status_ms:
            self._tell_status(now_ms)
        self._outbox.send(self._line, now_ms)
        self.is_left = now_ms - self._heard_ms >= _QUIET_MS
        if self._over_at_ms >= 0:
            self.is_over = self._outbox.is_empty() or now_ms >= self._over_at_ms
        self._due_ms = now_ms + _PERIOD_MS if self._orders.is_idle() else now_ms
        return self._due_ms

    def counted_turn(self) -> None:
        """The loop has turned once more."""
        self._turns += 1

    def _obey(self, frame, now_ms):
        _type, number, _t_ms, payload, salt_place = frame
        code, _spare, a, b = struct.unpack(self._command_format, payload)
        if code == link.ASK_HELLO:
            self._tell_hello(number, now_ms)
            return
        if salt_place != 0 and code != link.STOP:
            return  # who does not know the session may ask for it or end it
        if number == self._number and code == self._code:  # asked again: the answer was lost, or it takes its time
            self._outbox.put(self._reply or self._framed_reply(link.BUSY, (0, 0, 0, 0), now_ms))
            return
        if self._number >= 0 and not self._reply:
            busy = (code, link.BUSY, 0, 0, 0, 0)
            self._outbox.put(link.encode(link.REPLY, number, now_ms, busy, self._outbox.salt))
            return
        self._number = number
        self._code = code
        self._reply = b""
        if code == link.STOP:
            self._over_at_ms = now_ms + _FLUSH_MS
            self._answer_with(link.DONE, (0, 0, 0, 0), now_ms)
        elif self._orders.begin(code, a, b, now_ms):
            self._answer(now_ms)

    def _answer(self, now_ms):
        self._answer_with(self._orders.status, self._orders.answer, now_ms)

    def _answer_with(self, status, values, now_ms):
        self._reply = self._framed_reply(status, values, now_ms)
        self._outbox.put(self._reply)

    def _framed_reply(self, status, values, now_ms):
        return link.encode(link.REPLY, self._number, now_ms, (self._code, status) + tuple(values), self._outbox.salt)

    def _tell_hello(self, number, now_ms):
        flags, firmware, more = self._about()
        values = (link.LINK_VERSION, flags, firmware, self._session) + more
        self._outbox.put(link.encode(link.HELLO, number, now_ms, values, UNSALTED))

    def _tell_status(self, now_ms):
        self._status_ms = now_ms + _STATUS_MS - now_ms % _STATUS_MS
        free, used = (gc.mem_free(), gc.mem_alloc()) if hasattr(gc, "mem_free") else (0, 0)
        values = (
            min(self._late_ms_max, _U16), self._outbox.dropped, min(self._splitter.skipped, _U16),
            min(self._turns, _U16), free, used,
        )  # fmt: skip
        self._outbox.put(link.encode(link.STATUS, self._status_number, now_ms, values, self._outbox.salt))
        self._outbox.put(link.encode_mark(self._session, self._status_number, now_ms))
        self._status_number = (self._status_number + 1) & _U16
        self._late_ms_max = 0
        self._turns = 0

"""What waits to go up the line: whole frames, signed for this session; what finds no room is counted and left out.

A host that does not read must not hold up the loop. MicroPython's USB port says by poll() that there is some room, not
how much, and a write that does not fit waits for up to half a second (mp_usbd_cdc_tx_strn in MicroPython 1.28, from
memory). So little is written at a time, and after a write that waited nothing is tried for a while.
"""

import struct
from binascii import crc32

from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.bench.usb_line import UsbLine
    from firmware.core.framer import Frame

_SIZE = const(4096)  # nearly four seconds of readings at the usual rates
_CHUNK = const(64)  # one USB packet
_CHUNKS_MAX = const(16)  # in one turn
_WAITED_MS = const(100)
_PAUSE_MS = const(3000)
_SEQ_AND_TIME = const(4)  # offset of both in a frame
_U16 = const(0xFFFF)


class Outbox:
    """take() puts a record's frame in, put() any other bytes; send() passes on what the line takes."""

    def __init__(self, salt: int):
        self.salt = salt
        self.dropped = 0  # frames
        self._buffer = bytearray(_SIZE)
        self._view = memoryview(self._buffer)
        self._first = 0
        self._end = 0
        self._not_before_ms = 0

    def take(self, frame: "Frame", seq: int, t_ms: int) -> None:
        """Copy a record as it goes into the log, under the session's salt."""
        if not self._has_room(frame.size):
            return
        end = self._end
        struct.pack_into("<HI", frame.buffer, _SEQ_AND_TIME, seq, t_ms & 0xFFFFFFFF)
        struct.pack_into(frame.copy_format, self._buffer, end, frame.buffer)
        struct.pack_into("<I", self._buffer, end + frame.crc_at, crc32(frame.body, self.salt))
        self._end = end + frame.size

    def put(self, data: bytes) -> None:
        """Copy a frame that is complete."""
        size = len(data)
        if self._has_room(size):
            self._buffer[self._end : self._end + size] = data
            self._end += size

    def is_empty(self) -> bool:
        """True if everything is on its way."""
        return self._first == self._end

    def send(self, line: "UsbLine", now_ms: int) -> None:
        """Write what the line takes without waiting."""
        if now_ms < self._not_before_ms:
            return
        for _ in range(_CHUNKS_MAX):
            first = self._first
            if first == self._end:
                self._first = self._end = 0
                return
            count = line.write(self._view[first : min(first + _CHUNK, self._end)])
            if count == 0:
                return
            self._first = first + count
            if line.waited_ms > _WAITED_MS:
                self._not_before_ms = now_ms + _PAUSE_MS
                return

    def _has_room(self, size):
        if self._end + size <= _SIZE:
            return True
        waiting = self._end - self._first
        if waiting + size > _SIZE:
            if self.dropped < _U16:
                self.dropped += 1
            return False
        self._buffer[:waiting] = bytes(self._view[self._first : self._end])
        self._first = 0
        self._end = waiting
        return True

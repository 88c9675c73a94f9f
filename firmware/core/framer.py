"""Records into frames and frames into sectors, without allocating anything.

Each record type has one staging buffer, a `Frame`: a task packs its fields into it with struct.pack_into and hands it
to `Framer.put`, which adds sequence, time and CRC and copies it into the sector being filled. The copy goes through
struct's `s` code, because a slice would be a new object each time.

Sectors wait in a small ring until the logbook has written them, so a card that stalls for a while costs nothing. When
the ring is full, new frames are dropped; their sequence numbers are used up all the same, so that the ground sees how
many are missing. The second copy gets every frame as well, and takes what it wants.
"""

import struct
from binascii import crc32

from firmware.core.sector_ring import SectorRing
from shared_protocol.compat import const
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, OVERHEAD, PREFIX_SIZE, SYNC

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

    from firmware.core.schedule import Clock

PAYLOAD = PREFIX_SIZE  # where in a Frame's buffer the fields begin

_SMALL_MAX = const(0x3FFFFFFF)  # the largest small integer
_SEQ_AND_TIME = const(4)  # offset of both in a frame
_SECTORS_WAITING = const(6)  # nearly six seconds of readings at the usual rates, 3 kB


class Frame:
    """The staging buffer of one record type: pack its fields into `buffer` at PAYLOAD with `format`."""

    def __init__(self, record_type: int):
        from shared_protocol.records import READINGS, declaration, payload_format  # not kept: see spare.py

        self.format = payload_format(declaration(record_type)[2])
        length = struct.calcsize(self.format)
        self.size = OVERHEAD + length
        self.crc_at = self.size - CRC_SIZE
        self.buffer = bytearray(self.size)
        self.body = memoryview(self.buffer)[: self.crc_at]  # what the CRC covers
        self.copy_format = "<" + str(self.size) + "s"
        self.window = -1 if record_type in READINGS else None  # when the second copy last took one; None: it takes all
        struct.pack_into("<HBB", self.buffer, 0, SYNC, record_type, length)


class Framer:
    """Fills sectors. begin() names the log and the boot; what was put before is kept and signed for them then."""

    def __init__(self, clock: "Clock", sector_count: int = _SECTORS_WAITING):
        self._clock = clock
        self._ring = ring = SectorRing(sector_count)
        self.waits = ring.waits
        self.has_frames = ring.has_frames
        self.is_full = ring.is_full
        self.release = ring.release
        self._salt = 0
        self.log_id = 0
        self.boot = 0
        self.copy: "Any" = None  # core/second_copy.py, where there is one
        self.seq = 0
        self.dropped = 0

    def begin(self, log_id: int, boot: int) -> None:
        """Sign every frame for this log and this boot from now on, those still waiting included."""
        if log_id == self.log_id and boot == self.boot:
            return
        self.log_id = log_id
        self.boot = boot
        self._salt = frame_salt(log_id, boot)
        self._ring.sign_again(self._salt)
        if self.copy is not None:
            self.copy.ring.sign_again(self._salt)

    def put(self, frame: Frame, t_ms: int) -> None:
        """Add a frame whose fields are packed; `t_ms` is the time of what it says."""
        seq = self.seq
        self.seq = (seq + 1) & 0xFFFF
        buffer = frame.buffer
        # With the mask each time would be an object on 32 bits; as it is, that begins after 12 days.
        struct.pack_into("<HI", buffer, _SEQ_AND_TIME, seq, t_ms if t_ms <= _SMALL_MAX else t_ms & 0xFFFFFFFF)
        struct.pack_into("<I", buffer, frame.crc_at, crc32(frame.body, self._salt))
        now_ms = self._clock.t_ms
        if not self._ring.add(frame, seq, now_ms):
            self.dropped += 1
        if self.copy is not None:
            self.copy.take(frame, seq, t_ms, now_ms)

    def seal(self, sector_number: int, flags: int, t_ms: int) -> bytearray:
        """The oldest waiting sector with its header for this place in the log. It stays until release()."""
        return self._ring.seal(self.log_id, self.boot, sector_number, flags, self.seq, t_ms)

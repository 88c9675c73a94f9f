"""Records into frames and frames into sectors, without allocating anything.

Each record type has one staging buffer, a `Frame`: a task packs its fields into it with struct.pack_into and hands it
to `Framer.put`, which adds sequence, time and CRC and copies it into the sector being filled. The copy goes through
struct's `s` code, because a slice would be a new object each time.

Sectors wait in a small ring until the logbook has written them, so a card that stalls for a while costs nothing. When
the ring is full, new frames are dropped; their sequence numbers are used up all the same, so that the ground sees how
many are missing.
"""

import struct
from array import array
from binascii import crc32

from shared_protocol.compat import const
from shared_protocol.crc import UNSALTED, frame_salt
from shared_protocol.frame import (
    CRC_SIZE,
    FORMAT_VERSION,
    HEADER_SIZE,
    KIND_FRAMES,
    OVERHEAD,
    PREFIX_SIZE,
    SECTOR_SIZE,
    SYNC,
)
from shared_protocol.records import HEADER

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.schedule import Clock

PAYLOAD = PREFIX_SIZE  # where in a Frame's buffer the fields begin

_SEQ_AND_TIME = const(4)  # offset of both in a frame
_SECTORS_WAITING = const(6)  # nearly six seconds of readings at the usual rates, 3 kB


class Frame:
    """The staging buffer of one record type: pack its fields into `buffer` at PAYLOAD with `format`."""

    def __init__(self, record_type: int):
        from shared_protocol.records import declaration, payload_format  # not kept: see spare.py

        self.format = payload_format(declaration(record_type)[2])
        length = struct.calcsize(self.format)
        self.size = OVERHEAD + length
        self.crc_at = self.size - CRC_SIZE
        self.buffer = bytearray(self.size)
        self.body = memoryview(self.buffer)[: self.crc_at]  # what the CRC covers
        self.copy_format = "<" + str(self.size) + "s"
        struct.pack_into("<HBB", self.buffer, 0, SYNC, record_type, length)


class Framer:
    """Fills sectors. begin() names the log and the boot; what was put before is kept and signed for them then."""

    def __init__(self, clock: "Clock", sector_count: int = _SECTORS_WAITING):
        self._clock = clock
        self._sectors = [bytearray(SECTOR_SIZE) for _ in range(sector_count)]
        self._header_bodies = [memoryview(sector)[: HEADER_SIZE - CRC_SIZE] for sector in self._sectors]
        self._ends = array("H", [HEADER_SIZE] * sector_count)  # where the next frame of each sector goes
        self._first_seqs = array("H", [0] * sector_count)
        self._blank = bytes([0xFF] * SECTOR_SIZE)
        self._count = sector_count
        self._head = 0  # being filled
        self._tail = 0  # the oldest that the logbook has not written
        self._opened_ms = 0  # when the first frame went into the sector at the tail; frames may be older than that
        self._salt = 0
        self._log_id = 0
        self._boot = 0
        self.seq = 0
        self.dropped = 0
        for sector in self._sectors:
            struct.pack_into("<512s", sector, 0, self._blank)

    def begin(self, log_id: int, boot: int) -> None:
        """Sign every frame for this log and this boot from now on, those still waiting included."""
        if log_id == self._log_id and boot == self._boot:
            return
        self._log_id = log_id
        self._boot = boot
        self._salt = frame_salt(log_id, boot)
        for number in range(self._count):
            self._sign_again(self._sectors[number], self._ends[number])

    def put(self, frame: Frame, t_ms: int) -> None:
        """Add a frame whose fields are packed; `t_ms` is the time of what it says."""
        seq = self.seq
        self.seq = (seq + 1) & 0xFFFF
        head = self._head
        at = self._ends[head]
        end = at + frame.size
        if end > SECTOR_SIZE:
            following = head + 1 if head + 1 < self._count else 0
            if following == self._tail:
                self.dropped += 1
                return
            head = self._head = following
            at = HEADER_SIZE
            end = at + frame.size
        if at == HEADER_SIZE:
            self._first_seqs[head] = seq
            if head == self._tail:
                self._opened_ms = self._clock.t_ms
        buffer = frame.buffer
        struct.pack_into("<HI", buffer, _SEQ_AND_TIME, seq, t_ms & 0xFFFFFFFF)
        struct.pack_into("<I", buffer, frame.crc_at, crc32(frame.body, self._salt))
        struct.pack_into(frame.copy_format, self._sectors[head], at, buffer)
        self._ends[head] = end

    def waits(self, now_ms: int, age_ms: int) -> bool:
        """True if a full sector waits, or one that was begun `age_ms` ago."""
        if self._tail != self._head:
            return True
        return self._ends[self._head] != HEADER_SIZE and now_ms - self._opened_ms >= age_ms

    def has_frames(self) -> bool:
        """True if anything at all waits."""
        return self._tail != self._head or self._ends[self._head] != HEADER_SIZE

    def is_full(self) -> bool:
        """True if no sector is free behind the one being filled."""
        return (self._head + 1 if self._head + 1 < self._count else 0) == self._tail

    def seal(self, sector_number: int, flags: int, t_ms: int) -> bytearray:
        """The oldest waiting sector with its header for this place in the log. It stays until release()."""
        tail = self._tail
        sector = self._sectors[tail]
        seq = self.seq if self._ends[tail] == HEADER_SIZE else self._first_seqs[tail]
        struct.pack_into(
            "<HBBHIIIIBBH", sector, 0, SYNC, HEADER, HEADER_SIZE - OVERHEAD, seq, t_ms & 0xFFFFFFFF,
            self._log_id, self._boot, sector_number, FORMAT_VERSION, KIND_FRAMES, flags,
        )  # fmt: skip
        struct.pack_into("<I", sector, HEADER_SIZE - CRC_SIZE, crc32(self._header_bodies[tail], UNSALTED))
        return sector

    def release(self, now_ms: int) -> None:
        """The sealed sector is safe: its buffer may be used again."""
        tail = self._tail
        struct.pack_into("<512s", self._sectors[tail], 0, self._blank)
        self._ends[tail] = HEADER_SIZE
        if tail != self._head:
            self._tail = tail + 1 if tail + 1 < self._count else 0
            self._opened_ms = now_ms  # the next sector's first frame is hardly older than this

    def _sign_again(self, sector, end):
        at = HEADER_SIZE
        view = memoryview(sector)
        while at < end:
            crc_at = at + PREFIX_SIZE + sector[at + 3]
            struct.pack_into("<I", sector, crc_at, crc32(view[at:crc_at], self._salt))
            at = crc_at + CRC_SIZE

"""Sectors being filled with frames, waiting in a small ring until somebody has written them. Nothing here allocates."""

import struct
from array import array
from binascii import crc32

from shared_protocol.compat import const
from shared_protocol.crc import UNSALTED
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
    from firmware.core.framer import Frame

HEADER_BODY = const(26)  # what the CRC of a header covers
_BLANK = b"\xff" * SECTOR_SIZE


def pack_header(sector, body, log_id: int, boot: int, number: int, kind: int, flags: int, seq: int, t_ms: int) -> None:
    """Write a sector's header; `body` is a view of its first HEADER_BODY bytes."""
    struct.pack_into(
        "<HBBHIIIIBBH", sector, 0, SYNC, HEADER, HEADER_SIZE - OVERHEAD, seq, t_ms & 0xFFFFFFFF,
        log_id, boot, number, FORMAT_VERSION, kind, flags,
    )  # fmt: skip
    struct.pack_into("<I", sector, HEADER_BODY, crc32(body, UNSALTED))


class SectorRing:
    """`count` sectors. add() frames; the oldest sector waits() to be sealed, written and released."""

    def __init__(self, count: int):
        self._sectors = [bytearray(_BLANK) for _ in range(count)]
        self._header_bodies = [memoryview(sector)[:HEADER_BODY] for sector in self._sectors]
        self._ends = array("H", [HEADER_SIZE] * count)  # where the next frame of each sector goes
        self._first_seqs = array("H", [0] * count)
        self._count = count
        self._head = 0  # being filled
        self._tail = 0  # the oldest that has not been written
        self._opened_ms = 0  # when the first frame went into the sector at the tail; frames may be older than that

    def add(self, frame: "Frame", seq: int, now_ms: int) -> bool:
        """Copy a signed frame into the sector being filled, or into the next; False if there is no room."""
        head = self._head
        at = self._ends[head]
        end = at + frame.size
        if end > SECTOR_SIZE:
            following = head + 1 if head + 1 < self._count else 0
            if following == self._tail:
                return False
            head = self._head = following
            at = HEADER_SIZE
            end = at + frame.size
        if at == HEADER_SIZE:
            self._first_seqs[head] = seq
            if head == self._tail:
                self._opened_ms = now_ms
        struct.pack_into(frame.copy_format, self._sectors[head], at, frame.buffer)
        self._ends[head] = end
        return True

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

    def seal(self, log_id: int, boot: int, number: int, flags: int, seq: int, t_ms: int) -> bytearray:
        """The oldest waiting sector with its header for a place in the log; `seq` is for one without frames.

        Nothing is added to it from now on: who writes it may be at it for a while.
        """
        tail = self._tail
        sector = self._sectors[tail]
        if self._ends[tail] != HEADER_SIZE:
            seq = self._first_seqs[tail]
            if tail == self._head:
                self._head = tail + 1 if tail + 1 < self._count else 0
        pack_header(sector, self._header_bodies[tail], log_id, boot, number, KIND_FRAMES, flags, seq, t_ms)
        return sector

    def release(self, now_ms: int) -> None:
        """The sealed sector is safe: its buffer may be used again."""
        tail = self._tail
        struct.pack_into("<512s", self._sectors[tail], 0, _BLANK)
        self._ends[tail] = HEADER_SIZE
        if tail != self._head:
            self._tail = tail + 1 if tail + 1 < self._count else 0
            self._opened_ms = now_ms  # the next sector's first frame is hardly older than this

    def sign_again(self, salt: int) -> None:
        """Give every waiting frame the CRC of another log or boot."""
        for number in range(self._count):
            sector = self._sectors[number]
            view = memoryview(sector)
            at = HEADER_SIZE
            while at < self._ends[number]:
                crc_at = at + PREFIX_SIZE + sector[at + 3]
                struct.pack_into("<I", sector, crc_at, crc32(view[at:crc_at], salt))
                at = crc_at + CRC_SIZE

"""Frames that came over the line, and the tables they make: the same code and columns as for a flight's log.

What arrives is signed for the session. Here it is signed anew for the boot and packed into sectors, so that the decoder
reads it as it reads a card: nothing about tables, units and flags is written twice.
"""

import struct
from binascii import crc32

import numpy as np

from ground.decode.convert import convert
from ground.decode.frames.records import read
from shared_protocol.crc import frame_salt
from shared_protocol.frame import FILL, HEADER_SIZE, PREFIX, SECTOR_SIZE, SYNC, encode_header
from shared_protocol.link import LINK_ID

_ROOM = SECTOR_SIZE - HEADER_SIZE


class FrameStore:
    """Records of one bench session, boot by boot. Not safe for several threads by itself."""

    def __init__(self):
        self.count = 0
        self.missing = 0  # by the numbers of the frames
        self.last_t_ms = None
        self._sectors = []
        self._open = bytearray()
        self._first = (0, 0)  # number and time of the first frame in the open sector
        self._boot = None
        self._salt = 0
        self._last_number = None

    def begin_boot(self, boot):
        """Frames from now on belong to this boot of the board."""
        if boot == self._boot:
            return
        self._close_sector()
        self._boot = boot
        self._salt = frame_salt(LINK_ID, boot)
        self._last_number = None

    def add(self, record_type, number, t_ms, payload):
        """One intact frame."""
        body = struct.pack(PREFIX, SYNC, record_type, len(payload), number, t_ms) + payload
        frame = body + struct.pack("<I", crc32(body, self._salt))
        if len(self._open) + len(frame) > _ROOM:
            self._close_sector()
        if not self._open:
            self._first = (number, t_ms)
        self._open += frame
        if self._last_number is not None:
            self.missing += (number - self._last_number - 1) & 0xFFFF
        self._last_number = number
        self.last_t_ms = t_ms
        self.count += 1

    def sectors(self):
        """Everything so far as the sectors of a log, bytes."""
        return b"".join([*self._sectors, self._sealed()]) if self._open else b"".join(self._sectors)

    def _close_sector(self):
        if self._open:
            self._sectors.append(self._sealed())
            self._open = bytearray()

    def _sealed(self):
        number, t_ms = self._first
        header = encode_header(LINK_ID, self._boot or 0, len(self._sectors), number, t_ms)
        return header + bytes(self._open) + bytes([FILL]) * (_ROOM - len(self._open))


def tables_of(sectors):
    """Tables by name, as a flight folder has them, and `flight`; empty without a single frame."""
    if not sectors:
        return {}
    everything = read([np.frombuffer(sectors, dtype=np.uint8)])
    if not everything.boots:
        return {}
    decoded = convert(everything)
    return {table.name: table for table in [*decoded.tables, decoded.flight]}

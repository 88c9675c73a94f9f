"""Frames of a sector found the plain way, from SPEC.md: the expectation that the decoder is held against.

Nothing of ground/decode is used. Slow, and meant to be: every even offset is looked at, each CRC is one zlib call.
"""

import struct
import zlib

from shared_protocol.frame import PAYLOAD_SIZES  # the closed table of types and lengths

SECTOR = 512
HEADER_TYPE, EVENT_TYPE = 0, 10
HEADER_BYTES = 30
_OVERHEAD = 14


def salt(log_id, boot):
    """Start value of the CRC of a boot's frames in one log (SPEC.md, "Check sum")."""
    return zlib.crc32(struct.pack("<II", log_id, boot))


def header(sector):
    """(log id, boot, number, kind, flags) of a sector, or None without an intact header."""
    if sector[:4] != bytes([0xA5, 0x5A, HEADER_TYPE, HEADER_BYTES - _OVERHEAD]):
        return None
    body, (crc,) = sector[: HEADER_BYTES - 4], struct.unpack_from("<I", sector, HEADER_BYTES - 4)
    if zlib.crc32(body) != crc:
        return None
    log_id, boot, number, _format, kind, flags = struct.unpack_from("<IIIBBH", sector, 10)
    return log_id, boot, number, kind, flags


def frames(sector, key, begin=HEADER_BYTES, end=SECTOR):
    """Whole frames of `key` (log id, boot) between two offsets of a sector, as bytes in their order."""
    found, at, start, end = [], begin, salt(*key), min(end, len(sector))
    while at + _OVERHEAD <= end:
        if sector[at : at + 2] == b"\xa5\x5a":
            size = PAYLOAD_SIZES.get(sector[at + 2], -1) + _OVERHEAD
            if sector[at + 2] != HEADER_TYPE and sector[at + 3] + _OVERHEAD == size and at + size <= end:
                (crc,) = struct.unpack_from("<I", sector, at + size - 4)
                if zlib.crc32(sector[at : at + size - 4], start) == crc:
                    found.append(bytes(sector[at : at + size]))
                    at += size
                    continue
        at += 2
    return found


def owned_frames(sector):
    """(log id, boot) and frames of a sector that has its header; (None, []) of any other."""
    head = header(sector)
    if head is None:
        return None, []
    key = head[:2]
    return key, frames(sector, key) if head[3] == 0 else []


def events(some_frames):
    """(t_ms, code) of the events among some frames; SPEC.md, record "event"."""
    return [
        (struct.unpack_from("<I", one, 6)[0], struct.unpack_from("<H", one, 10)[0])
        for one in some_frames
        if one[2] == EVENT_TYPE
    ]

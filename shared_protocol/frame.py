"""Frames and sector headers: how the bytes of a log are laid out (SPEC.md says it in words).

`sync | type | payload length | sequence | t_ms | payload | CRC-32`. The (type, length) pairs form a closed table and
all lengths are even, so a decoder finds frames by looking for the sync word at even offsets and never has to trust a
damaged length. The board's own allocation-free writer is firmware/core/framer.py; this file is the plain form that
tests, tools and both Pythons share.
"""

import struct
from binascii import crc32

from shared_protocol.compat import const
from shared_protocol.crc import UNSALTED
from shared_protocol.records import HEADER, RECORDS, declaration, payload_format

FORMAT_VERSION = const(1)

SYNC = const(0x5AA5)  # bytes A5 5A
SYNC_BYTES = b"\xa5\x5a"
PREFIX = "<HBBHI"  # sync, type, payload length, sequence, t_ms
PREFIX_SIZE = const(10)
CRC_SIZE = const(4)
OVERHEAD = const(14)

SECTOR_SIZE = const(512)
HEADER_SIZE = const(30)
KIND_FRAMES = const(0)
KIND_TEXT = const(1)
TEXT_SIZE = const(478)
FINISHED = const(1)  # bit of the header's flags
PHASE_SHIFT = const(1)  # where the flight phase stands in them: a power-up that resumes a log begins with it
PHASE_MASK = const(3)
SECOND_COPY = const(8)  # bit of the header's flags: a sector of the copy in flash (second_copy.py)
FILL = const(0xFF)

PAYLOAD_SIZES = {}  # the closed table: type -> payload length
for _entry in RECORDS:
    PAYLOAD_SIZES[_entry[0]] = struct.calcsize(payload_format(_entry[2]))

_HEADER_FORMAT = payload_format(declaration(HEADER)[2])
_SECTOR_MARK = struct.pack("<HBB", SYNC, HEADER, PAYLOAD_SIZES[HEADER])  # how each sector begins


def sector_mark():
    """The four bytes with which every sector of a log begins."""
    return _SECTOR_MARK


def encode(record_type, seq, t_ms, values, salt):
    """One frame as bytes. `values` are raw field values in the order of the declaration."""
    payload = struct.pack(payload_format(declaration(record_type)[2]), *values)
    body = struct.pack(PREFIX, SYNC, record_type, len(payload), seq & 0xFFFF, t_ms & 0xFFFFFFFF) + payload
    return body + struct.pack("<I", crc32(body, salt))


def encode_header(log_id, boot, sector, seq, t_ms, kind=KIND_FRAMES, flags=0):
    """The 30 bytes with which a sector begins; unsalted, because they name the log and the boot."""
    values = (log_id, boot, sector, FORMAT_VERSION, kind, flags)
    return encode(HEADER, seq, t_ms, values, UNSALTED)


def decode_header(sector):
    """`(log_id, boot, sector, format, kind, flags, seq, t_ms)` of a sector's first bytes; None if these are none."""
    if len(sector) < HEADER_SIZE or bytes(sector[:4]) != _SECTOR_MARK:
        return None
    body = bytes(sector[: HEADER_SIZE - CRC_SIZE])
    if struct.unpack_from("<I", sector, HEADER_SIZE - CRC_SIZE)[0] != crc32(body, UNSALTED):
        return None
    prefix = struct.unpack_from(PREFIX, sector, 0)
    return struct.unpack_from(_HEADER_FORMAT, sector, PREFIX_SIZE) + (prefix[3], prefix[4])


def encode_text_sector(text, log_id, boot, sector, seq, t_ms, flags=0):
    """A whole text sector. `text` is ASCII, at most 477 bytes; it is padded with spaces and ends in a newline."""
    data = text.encode()
    if len(data) > TEXT_SIZE - 1:
        raise ValueError("a text sector holds 477 bytes, not %d" % len(data))
    data = data + b" " * (TEXT_SIZE - 1 - len(data)) + b"\n"
    body = encode_header(log_id, boot, sector, seq, t_ms, KIND_TEXT, flags) + data
    return body + struct.pack("<I", crc32(body, UNSALTED))


def decode_text_sector(sector):
    """The text of a text sector without its padding, or None if the bytes are not an intact text sector."""
    header = decode_header(sector)
    if header is None or header[4] != KIND_TEXT or len(sector) < SECTOR_SIZE:
        return None
    body = bytes(sector[: SECTOR_SIZE - CRC_SIZE])
    if struct.unpack_from("<I", sector, SECTOR_SIZE - CRC_SIZE)[0] != crc32(body, UNSALTED):
        return None
    return body[HEADER_SIZE:].decode().rstrip()

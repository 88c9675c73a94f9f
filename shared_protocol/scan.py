"""Resynchronisation: the intact frames in any bytes, whatever lies between them.

The slow, plain form (one frame at a time, both Pythons). The ground's vectorised decoder must find the same frames;
a test holds the two against each other.
"""

import struct
from binascii import crc32

from shared_protocol.frame import CRC_SIZE, OVERHEAD, PAYLOAD_SIZES, PREFIX, PREFIX_SIZE, SYNC_BYTES


def frames(data, salt, start=0, end=None):
    """Yield `(offset, type, seq, t_ms, payload)` of each frame whose CRC, begun at `salt`, holds.

    A frame is looked for at every sync word, at any byte offset. Bytes that are no frame are passed over one at a
    time, so a damaged length costs nothing but its own frame. A frame wholly inside of another, carried in its payload,
    is none; two that share a few bytes both are: where the last byte of one was lost, the next one's first may fit.
    """
    data = bytes(data)
    end = len(data) if end is None else end
    reached = start
    at = data.find(SYNC_BYTES, start, end)
    while at >= 0 and at + OVERHEAD <= end:
        record_type = data[at + 2]
        length = data[at + 3]
        size = OVERHEAD + length
        if PAYLOAD_SIZES.get(record_type) == length and reached < at + size <= end:
            body = data[at : at + size - CRC_SIZE]
            if struct.unpack_from("<I", data, at + size - CRC_SIZE)[0] == crc32(body, salt):
                prefix = struct.unpack_from(PREFIX, data, at)
                reached = at + size
                yield at, record_type, prefix[3], prefix[4], body[PREFIX_SIZE:]
        at = data.find(SYNC_BYTES, at + 1, end)

"""CRC-32 (ISO-HDLC) of frames, and the start value that ties a frame to one log and one boot.

A used card is full of valid frames of older flights. Were the CRC unsalted, a sector torn between new and old bytes
would hand old readings to the new flight; with a start value made of the log's random id and the boot number an old
frame simply fails its check.
"""

import struct
from binascii import crc32

UNSALTED = 0  # sector headers and text sectors: they name the log and the boot, so they can't depend on them


def frame_salt(log_id, boot):
    """Start value for the CRC of every frame of one boot in one log; both are unsigned 32-bit numbers."""
    return crc32(struct.pack("<II", log_id, boot))

"""Beginning a part of the second copy: the file emptied, the text in its first sectors. Forgotten again (spare.py)."""

import struct
from binascii import crc32

from firmware.core.sector_ring import HEADER_BODY, pack_header
from shared_protocol.crc import UNSALTED
from shared_protocol.frame import CRC_SIZE, HEADER_SIZE, KIND_TEXT, SECTOR_SIZE
from shared_protocol.second_copy import finder_text, part_name


def begin(flash, part: int, contact: str, is_new_log: bool, log_id, boot, number, seq, t_ms, flags):
    """The file, open for appending, and how many sectors it has: all of a log's text, or what a finder has to know.

    `number` is that of its first sector; `flags` go into the headers. Raises OSError.
    """
    if is_new_log:
        from firmware.core import log_arm

        sectors = log_arm.text_sectors(contact, log_id, boot, seq, t_ms, number, flags)
    else:
        sectors = [_finder_sector(contact, log_id, boot, number, seq, t_ms, flags)]
    file = flash.open(part_name(part), "wb")
    for sector in sectors:
        file.write(sector)
    file.flush()
    return file, len(sectors)


def _finder_sector(contact, log_id, boot, number, seq, t_ms, flags):
    """As frame.encode_text_sector, without the table of records that comes with it."""
    sector = bytearray(b" " * SECTOR_SIZE)
    view = memoryview(sector)
    text = finder_text(contact).encode()
    view[HEADER_SIZE : HEADER_SIZE + len(text)] = text
    sector[SECTOR_SIZE - CRC_SIZE - 1] = 10
    pack_header(sector, view[:HEADER_BODY], log_id, boot, number, KIND_TEXT, flags, seq, t_ms)
    struct.pack_into("<I", sector, SECTOR_SIZE - CRC_SIZE, crc32(view[: SECTOR_SIZE - CRC_SIZE], UNSALTED))
    return sector

"""The second copy of a log, in the board's own flash: names and sizes on which both ends agree (DESIGN.md has the rest).

A ring of small files in the folder FOLDER of the board's file system, part000.log, part001.log, ... Each holds up to
PART_SECTORS sectors of the log's own form, appended one by one. A sector's number counts all sectors that this ring
was ever given; so the part whose first sector has the highest number is the newest.
"""

from shared_protocol.compat import const

FOLDER = "copy"
PART_SECTORS = const(63)  # with the block pointers of littlefs 8 erase blocks of 4096 bytes; 64 would take 9
PART_KIB = const(32)  # what a part takes of the flash
PERIOD_MS = const(5000)  # one reading of each kind in each of these stretches of time since power-up


def part_name(part):
    """The file of a part of the ring, from 0."""
    return FOLDER + "/part" + ("00" + str(part))[-3:] + ".log"

"""The second copy of a log, in the board's own flash: names and sizes on which both ends agree (see DESIGN.md).

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


def part_number(name):
    """The part that a file in the folder is, -1 for any other name."""
    digits = name[4:7]
    return int(digits) if len(name) == 11 and name[:4] == "part" and name[7:] == ".log" and digits.isdigit() else -1


def finder_text(contact):
    """What the first sector of a part says: what this is, and whom to call. At most 477 bytes of ASCII."""
    text = "THISTLEDOWN flight log, format 1, second copy. If found, thank you:\n" + contact
    return "".join([ch if " " <= ch <= "~" or ch == "\n" else "?" for ch in text])[:477]

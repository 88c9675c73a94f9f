"""Making a new log: the file at its full size, with the text in its first sectors. All that touches the directory.

The text is written, the file stretched to its full size by seeking past its end, and then it is closed, which is what
writes its size into the directory. So a power cut anywhere before leaves a file of size nought, never one whose
beginning is what the card held before (an older log, at worst). After the close no write ever changes the directory or
the allocation table again. The file grows in steps: a card with less room than asked for gives what it has, and a slow
one what it can in the time that it is given, for nobody measures meanwhile. A short log is followed by the next.

This module is only imported when a log is armed (spare.py).
"""

import os

from shared_protocol import layout
from shared_protocol.compat import const
from shared_protocol.frame import SECTOR_SIZE, encode_text_sector

_STEP = const(1048576)
_SECTORS_MIN = const(256)  # less is no log worth having: about four minutes

_ENOSPC = const(28)  # MicroPython's errno module does not know this one


def log_name(number: int) -> str:
    """The name of log file `number`."""
    digits = "00000" + str(number)
    return "TD" + digits[-6:] + ".LOG"


def log_number(name: str) -> int:
    """The number in a log's name, or 0 for any other name."""
    name = name.upper()
    if len(name) != 12 or not name.startswith("TD") or not name.endswith(".LOG"):
        return 0
    digits = name[2:8]
    return int(digits) if digits.isdigit() else 0


def create(storage, number: int, size_mib: int, text_sectors, feed, may_grow) -> int:
    """Make the file with these first sectors, at its full size; the number of sectors it got. Raises OSError.

    Once it is large enough to be of use, it grows only as long as `may_grow()`.
    """
    name = log_name(number)
    file = storage.open(name, "wb")
    sectors = 0
    try:
        for sector in text_sectors:
            feed()
            file.write(sector)
        sectors = _stretch(file, size_mib, feed, may_grow)
    except OSError as error:  # not even room for the text, as a rule
        if error.errno != _ENOSPC:
            raise
    finally:
        feed()
        file.close()
    if sectors < _SECTORS_MIN:
        storage.remove(name)
        raise OSError(_ENOSPC)
    return sectors


def new_id(old_ids) -> int:
    """A random number for a new log, none of `old_ids` and not 0."""
    log_id = 0
    while log_id == 0 or log_id in old_ids:
        log_id = int.from_bytes(os.urandom(4), "little")
    return log_id


def text_sectors(contact: str, log_id: int, boot: int, seq: int, t_ms: int, first: int = 0, flags: int = 0) -> list:
    """The sectors that say what the log is, 512 bytes each, numbered from `first`."""
    sectors: list = []
    for text in layout.text_sectors(contact):
        sectors.append(encode_text_sector(text, log_id, boot, first + len(sectors), seq, t_ms, flags))
    return sectors


def _stretch(file, size_mib, feed, may_grow):
    """Make the open file `size_mib` long, or as long as the card has room or time for; its sectors."""
    size = 0
    for step in range(1, size_mib + 1):
        feed()
        asked = step * _STEP
        size = file.seek(asked - 1) + 1
        if size < asked:  # seek() stops where the card is full
            size -= 1
            break
        if not may_grow():
            break
    sectors = size // SECTOR_SIZE
    if sectors >= _SECTORS_MIN:
        file.seek(sectors * SECTOR_SIZE - 1)
        file.write(b"\0")
    return sectors

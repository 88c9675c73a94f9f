"""The count of power-ups, in the board's own flash, and our word for our own reset.

Two small files take turns: the one with the higher serial number and an intact CRC counts, the other one is written
next. A power cut in the middle of writing therefore costs one step of the counter at most, never the counter. Even then
two boots of one log can't share a number, because the logbook asks for at_least() what it found in the log.

`machine.reset_cause()` says the same for a watchdog reset and for `machine.reset()`; so before the firmware resets the
board itself it leaves a mark here. A reset by order without our mark (board.py knows some) has no cause of ours.
"""

import struct
from binascii import crc32

CAUSE_UNKNOWN = 0
CAUSE_POWER = 1
CAUSE_WATCHDOG = 2
CAUSE_OWN_RESET = 3

_FORMAT = "<IIII"  # serial number, power-ups, mark of our own reset, CRC-32
_SIZE = 16
_OWN_RESET = 0x54455352


class Boots:
    """The counter; `count` is the number of this power-up. A flash that can't be written is reported by `saved`."""

    def __init__(self, path: str = "boots"):
        self._paths = (path + "_a.bin", path + "_b.bin")
        self._serial = 0
        self._newest = 1
        self.count = 0
        self.own_reset = False
        self.saved = True
        for number in (0, 1):
            entry = _read(self._paths[number])
            if entry is not None and entry[0] >= self._serial:
                self._serial, self.count, mark, _crc = entry
                self.own_reset = mark == _OWN_RESET
                self._newest = number

    def power_up(self) -> int:
        """Count this power-up; its number."""
        self.count = (self.count + 1) & 0xFFFFFFFF
        self._write(0)
        return self.count

    def at_least(self, count: int) -> int:
        """Make this power-up's number no lower than `count`, which the log asks for if the flash has lost its own."""
        if self.count < count:
            self.count = count
            self._write(0)
        return self.count

    def mark_own_reset(self) -> None:
        """To be called right before the firmware resets the board."""
        self._write(_OWN_RESET)

    def _write(self, mark):
        serial = (self._serial + 1) & 0xFFFFFFFF
        body = struct.pack("<III", serial, self.count, mark)
        number = 1 - self._newest
        try:
            with open(self._paths[number], "wb") as file:
                file.write(body + struct.pack("<I", crc32(body)))
        except OSError:
            self.saved = False
            return
        self._serial = serial
        self._newest = number


def _read(path):
    """The four numbers of one file, or None if it is missing, short or hurt."""
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError:
        return None
    if len(data) != _SIZE:
        return None
    entry = struct.unpack(_FORMAT, data)
    return entry if entry[3] == crc32(data[: _SIZE - 4]) else None


def reset_cause(cause: int, power_on: int, watchdog: int, own_reset: bool) -> int:
    """The BOOT record's word for what machine.reset_cause() said; the two constants are the port's own.

    The mark of our own reset counts only if the board says it was no power-up: the battery may have been taken out
    after the mark was set.
    """
    if cause == power_on:
        return CAUSE_POWER
    if own_reset:
        return CAUSE_OWN_RESET
    return CAUSE_WATCHDOG if cause == watchdog else CAUSE_UNKNOWN

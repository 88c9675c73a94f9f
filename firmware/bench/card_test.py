"""Does the card keep what it is given, and how long does it take? A file of its own, written, read back and removed.

One sector in a turn of the loop, so that everything else goes on; opening, closing and removing the file take what the
card takes. Nothing of it touches the log, but it writes to the directory, so it is for the ground only.
"""

import time

from shared_protocol.compat import const
from shared_protocol.frame import SECTOR_SIZE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

_NAME = "BENCH.TMP"
_SECTORS_MAX = const(8192)
_OPEN, _WRITE, _CLOSE, _READ, _REMOVE, _OVER = range(6)


class CardTest:
    """step() until `is_over`; then `failed` and `results` say what came out."""

    def __init__(self, storage, sectors: int):
        self._storage = storage
        self._count = min(max(sectors, 1), _SECTORS_MAX)
        self._file: "Any" = None
        self._stage = _OPEN
        self._sector = bytearray(SECTOR_SIZE)
        self._found = bytearray(SECTOR_SIZE)
        self._number = 0
        self._written = 0
        self._write_us = 0  # of all
        self._write_us_max = 0
        self._read_us_max = 0
        self._good = 0
        self.is_over = False
        self.failed = False

    def step(self) -> None:
        """The next small part; what the card refuses ends the test."""
        try:
            self._next()
        except OSError:
            self.failed = True
            self._give_up()

    def results(self) -> tuple:
        """Sectors that came back as written, longest and mean write, longest read. [us]"""
        mean_us = self._write_us // self._written if self._written else 0
        return self._good, self._write_us_max, mean_us, self._read_us_max

    def _next(self):
        stage = self._stage
        if stage == _OPEN:
            self._file = self._storage.open(_NAME, "wb")
            self._stage = _WRITE
        elif stage == _WRITE:
            self._write()
        elif stage == _CLOSE:
            self._file.close()
            self._file = self._storage.open(_NAME, "rb")
            self._number = 0
            self._stage = _READ
        elif stage == _READ:
            self._read()
        elif stage == _REMOVE:
            self._file.close()
            self._file = None
            self._storage.remove(_NAME)
            self._stage = _OVER
            self.is_over = True
            self.failed = self._good != self._count

    def _write(self):
        _fill(self._sector, self._number)
        begun = time.ticks_us()
        written = self._file.write(self._sector)
        took = time.ticks_diff(time.ticks_us(), begun)
        if written != SECTOR_SIZE:
            raise OSError(28)  # the card is full
        self._write_us += took
        self._write_us_max = max(self._write_us_max, took)
        self._written += 1
        self._number += 1
        if self._number == self._count:
            self._stage = _CLOSE

    def _read(self):
        _fill(self._sector, self._number)
        begun = time.ticks_us()
        count = self._file.readinto(self._found)
        self._read_us_max = max(self._read_us_max, time.ticks_diff(time.ticks_us(), begun))
        if count == SECTOR_SIZE and self._found == self._sector:
            self._good += 1
        self._number += 1
        if self._number == self._count:
            self._stage = _REMOVE

    def _give_up(self):
        self.is_over = True
        try:
            if self._file is not None:
                self._file.close()
            self._storage.remove(_NAME)
        except OSError:
            pass


def _fill(sector, number):
    """Bytes that no other sector of the test has, and that no card makes by itself."""
    word = number * 2654435 + 12345 & 0x3FFFFFFF
    for place in range(0, SECTOR_SIZE, 4):
        word = (word * 69069 + 1) & 0x3FFFFFFF if place & 4 else word ^ 0x15A5A5A5
        sector[place] = word & 0xFF
        sector[place + 1] = word >> 8 & 0xFF
        sector[place + 2] = word >> 16 & 0xFF
        sector[place + 3] = word >> 24 & 0xFF

"""Every write that reached the card or the flash, in order, with its bytes: from it the state after any write is made.

Entries follow each other without padding: HEAD (what, block, offset in the block [B], length [B], world time [us]) and
the bytes as they were stored. An erase has no bytes. Read by tests/power_cuts/journal.py.
"""

import struct

HEAD = "<BIIIQ"
CARD_WRITE, FLASH_PROGRAM, FLASH_ERASE = 1, 2, 3


class WriteJournal:
    """Appends to a file, so that the boots of a flight share one."""

    def __init__(self, clock, path):
        self._clock = clock
        self._file = open(path, "ab")

    def note(self, what, block, offset, data):
        """One write that is done; `data` is empty for an erase."""
        self._file.write(struct.pack(HEAD, what, block, offset, len(data), self._clock.now_us))
        self._file.write(data)

    def close(self):
        self._file.close()

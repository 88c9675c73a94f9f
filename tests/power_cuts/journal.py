"""A flight's writes, read from its journal, and what card and flash hold after any of them.

The state after write n is the image before the flight with the writes up to n on it; no flight is flown again. A case
changes a few blocks of it: it is laid over the working image and taken back afterwards.
"""

import bisect
import struct
from dataclasses import dataclass
from pathlib import Path

from ground.simulator.board.card_layout import DATA, CardLayout
from ground.simulator.board.flash_chip import BLOCK as ERASE_BLOCK
from ground.simulator.board.write_journal import CARD_WRITE, FLASH_ERASE, FLASH_PROGRAM, HEAD
from ground.simulator.storage import copy_sparse

SECTOR = 512


@dataclass(frozen=True)
class Write:
    """One entry: what, block, offset in the block [byte], the bytes, world time [us]."""

    what: int
    block: int
    offset: int
    data: bytes
    at_us: int


def read_journal(path):
    """All writes of a journal, in order."""
    raw, at, writes = Path(path).read_bytes(), 0, []
    size = struct.calcsize(HEAD)
    while at < len(raw):
        what, block, offset, length, at_us = struct.unpack_from(HEAD, raw, at)
        at += size
        writes.append(Write(what, block, offset, raw[at : at + length], at_us))
        at += length
    return writes


class CardStates:
    """A working copy of the card that can be brought to the state after any write.

    Parameters
    ----------
    before : path
        Image as it was before the flight.
    writes : list of Write
        Of the whole flight; those of the flash are passed over, but count.
    work : path
        The working copy to make.
    """

    def __init__(self, before, writes, work):
        self.path = Path(work)
        copy_sparse(before, work)
        self._before = open(before, "rb")  # noqa: SIM115  (open for as long as this object)
        self._file = open(work, "r+b", buffering=0)  # noqa: SIM115
        self._writes = writes
        self._history = {}  # block -> numbers of its writes, rising
        for number, write in enumerate(writes, 1):
            if write.what == CARD_WRITE:
                self._history.setdefault(write.block, []).append(number)
        self.at = 0

    def close(self):
        self._before.close()
        self._file.close()

    def block(self, block, number, dropped=()):
        """What a block holds after write `number`, if the writes in `dropped` never arrived."""
        numbers = self._history.get(block, ())
        for index in range(bisect.bisect_right(numbers, number) - 1, -1, -1):
            if numbers[index] not in dropped:
                return self._writes[numbers[index] - 1].data
        self._before.seek(block * SECTOR)
        return self._before.read(SECTOR)

    def go_to(self, number):
        """Bring the working copy to the state after write `number`."""
        low, high = sorted((self.at, number))
        for write in self._writes[low:high]:
            if write.what == CARD_WRITE:
                self.put(write.block, self.block(write.block, number))
        self.at = number

    def put(self, block, data):
        """Lay a block over the working copy."""
        self._file.seek(block * SECTOR)
        self._file.write(data)

    def take_back(self, blocks):
        """Blocks as they are at `self.at`."""
        for block in blocks:
            self.put(block, self.block(block, self.at))


class FlashStates:
    """The flash's bytes after any write; to be asked in rising order, else it starts over."""

    def __init__(self, before, writes):
        self._before = Path(before).read_bytes()
        self._writes = writes
        self._now = bytearray(self._before)
        self._at = 0

    def after(self, number):
        """The whole flash after write `number`, as a bytearray that is not to be changed."""
        if number < self._at:
            self._now, self._at = bytearray(self._before), 0
        for write in self._writes[self._at : number]:
            apply_to_flash(self._now, write)
        self._at = number
        return self._now


def apply_to_flash(image, write):
    """Do one write of the flash to a bytearray."""
    at = write.block * ERASE_BLOCK + write.offset
    if write.what == FLASH_PROGRAM:
        image[at : at + len(write.data)] = write.data
    elif write.what == FLASH_ERASE:
        image[at : at + ERASE_BLOCK] = b"\xff" * ERASE_BLOCK


def metadata_blocks(image):
    """How many blocks from the card's start hold boot area, FAT and root directory, which must lie before the data."""
    with open(image, "rb") as file:

        def block(number):
            file.seek(number * SECTOR)
            return file.read(SECTOR)

        layout = CardLayout(block)
        count = 0
        while layout.region(count) != DATA:
            count += 1
        return count

"""The board's own flash below the file system: a NOR chip over an image file, with its rules, its time and its wear.

Bits go from 1 to 0 by programming, a page of 256 bytes at a time, and back to 1 only by erasing a block of 4096 bytes.
A program that wants a 1 where a 0 is gets the 0, and an objection in the ledger. It is seen as MicroPython's ports show
their flash to littlefs: blocks of 4096 bytes, reads and writes at an offset, erase by ioctl (MicroPython documentation,
"Working with filesystems", extended block device interface; `vfs.AbstractBlockDev`).

Each page programmed and each block erased is one operation; a power cut after the n-th leaves exactly n behind. Hooks:
- `before_operation(what, block, offset, data)` may raise, or give back other bytes to store (for an erase: of a block);
- `after_operation(what, block)` may raise: it is done, the firmware never hears of it.

Times are typical ones of serial NOR flash of 2 MB (page program 0.4 ms, block erase 45 ms; figures from memory).
"""

from ground.simulator.board.write_journal import FLASH_ERASE, FLASH_PROGRAM

BLOCK = 4096
PAGE = 256
READ_SIZE = 32  # the smallest read littlefs asks for, MicroPython's own choice
_EINVAL = 22
_READ_US = 10  # memory-mapped, so next to nothing
_PROGRAM_US = 400
_ERASE_US = 45000
_IOCTL_COUNT, _IOCTL_SIZE, _IOCTL_ERASE = 4, 5, 6


class FlashChip:
    """One chip; clock and ledger may be None while it is only being formatted.

    Parameters
    ----------
    path : str
        Image file; its size is the chip's, a whole number of blocks.
    """

    def __init__(self, clock, ledger, path):
        self._clock = clock
        self._ledger = ledger
        self._file = open(path, "r+b")
        self.block_count = self._file.seek(0, 2) // BLOCK
        self.operation_count = 0
        self.program_count = 0
        self.erases = {}  # block -> how often in this boot
        self.journal = None
        self.before_operation = self.after_operation = None

    def close(self):
        self._file.close()

    # --- bus door: MicroPython's extended block device protocol ----------------------------------------------

    def readblocks(self, block, buf, offset=0):
        self._check(block, offset, len(buf))
        if self._clock is not None:
            self._clock.advance(_READ_US)
        self._file.seek(block * BLOCK + offset)
        self._file.readinto(buf)

    def writeblocks(self, block, buf, offset=None):
        if offset is None:  # whole blocks, as the ports do it: erased first
            for index in range(len(buf) // BLOCK):
                self.erase(block + index)
            offset = 0
        self._check(block, offset, len(buf))
        view = memoryview(buf)
        start, length = block * BLOCK + offset, len(buf)
        done = 0
        while done < length:
            at = start + done
            step = min(PAGE - at % PAGE, length - done)
            self._program(at // BLOCK, at % BLOCK, view[done:done + step])
            done += step

    def ioctl(self, operation, argument):
        if operation == _IOCTL_COUNT:
            return self.block_count
        if operation == _IOCTL_SIZE:
            return BLOCK
        if operation == _IOCTL_ERASE:
            self.erase(argument)
            return 0
        return 0

    def erase(self, block):
        """All bits of a block become 1."""
        self._check(block, 0, BLOCK)
        self.operation_count += 1
        data = None
        if self.before_operation is not None:
            data = self.before_operation(FLASH_ERASE, block, 0, b"")
        self._file.seek(block * BLOCK)
        self._file.write(data or b"\xff" * BLOCK)
        self.erases[block] = self.erases.get(block, 0) + 1
        self._done(FLASH_ERASE, block, 0, b"", _ERASE_US)

    # ---------------------------------------------------------------------------------------------------------

    def raw(self, block, offset, length):
        """Bytes as they are stored; for faults and tests."""
        self._file.seek(block * BLOCK + offset)
        return self._file.read(length)

    def _program(self, block, offset, data):
        self.operation_count += 1
        self.program_count += 1
        old = self.raw(block, offset, len(data))
        if self.before_operation is not None:
            data = self.before_operation(FLASH_PROGRAM, block, offset, data) or data
        stored = programmed(old, data)
        if self._ledger is not None and stored != bytes(data):
            self._ledger.object("flash", "block %d, byte %d: a program over bits not erased" % (block, offset))
        self._file.seek(block * BLOCK + offset)
        self._file.write(stored)
        self._done(FLASH_PROGRAM, block, offset, stored, _PROGRAM_US)

    def _done(self, what, block, offset, data, duration_us):
        if self.journal is not None:
            self.journal.note(what, block, offset, data)
        if self._clock is not None:
            self._clock.advance(duration_us)
        if self.after_operation is not None:
            self.after_operation(what, block)

    def _check(self, block, offset, length):
        if self._clock is not None and self._clock.ending is not None:
            raise self._clock.ending  # no supply, no write: also not by a file that is closed on the way out
        if block < 0 or block * BLOCK + offset + length > self.block_count * BLOCK:
            if self._ledger is not None:
                self._ledger.object("flash", "block %d is beyond the chip's last, %d" % (block, self.block_count - 1))
            raise OSError(_EINVAL)


def programmed(old, new):
    """What is stored where `new` is programmed over `old`: only ones become noughts."""
    if old.count(b"\xff") == len(old):
        return bytes(new)
    length = len(old)
    both = int.from_bytes(old, "little") & int.from_bytes(new, "little")
    return both.to_bytes(length, "little")

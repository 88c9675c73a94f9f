"""The virtual SD card: a block device over a (sparse) image file, with time, counts and hooks for what can go wrong.

Each 512-byte block written goes to the image at once, so a power cut after the n-th write leaves exactly n writes
behind. Hooks let a fault or a test step between the firmware and the card:

- `before_write(block, data)` may raise, let time pass, or give back other bytes to store (a torn or garbage block);
- `after_write(block)` may raise: the block is on the card, the firmware never hears of it;
- `before_read(block)` may raise or let time pass.

Busy times are a model, not a measurement of some card: 2.8 ms for the transfer over SPI (board_budget), a fraction of
a millisecond of programming, and now and then, when the card tidies up, tens of milliseconds.
"""

from ground.simulator.board.card_layout import DIRECTORY, CardLayout
from ground.simulator.board.card_stamps import stamped
from ground.simulator.board.noise import Noise
from ground.simulator.board.write_journal import CARD_WRITE

BLOCK = 512
_EIO = 5
_EINVAL = 22
_TRANSFER_US = 2800
_WAKE_US = 120000  # first initialisation after power-up
_IOCTL_INIT, _IOCTL_DEINIT, _IOCTL_SYNC, _IOCTL_COUNT, _IOCTL_SIZE, _IOCTL_ERASE = 1, 2, 3, 4, 5, 6
_PLUG_US = 20000  # by then whoever did not know that a card came has noticed, or begins anew
_TIDY_ODDS = 50  # one write in so many takes tens of milliseconds
_STALL_ODDS = 2000  # and one in so many much longer
# No slow card takes longer for a block: 250 ms by the standard (SD Physical Layer Simplified Specification, 4.6.2.2),
# two seconds when it is cold and tidies up (common practice, no source). A fault card_stalls may name a longer time.
_BUSY_US_MAX = 2000000


class Card:
    """One card.

    Parameters
    ----------
    clock, ledger
        May be None while a card is only being formatted.
    path : str
        Image file; its size is the card's.
    """

    def __init__(self, clock, ledger, path, seed=0, boot=1):
        self._clock = clock
        self._ledger = ledger
        self.path = path
        self._file = _open_unbuffered(path)
        self.block_count = self._file.seek(0, 2) // BLOCK
        self._noise = Noise(seed, "card/boot%d" % boot)
        self._awake = False
        self._view = memoryview(bytearray(BLOCK))
        self.layout = None
        self.present = True
        self.write_count = 0
        self.read_count = 0
        self.busy_factor = 1  # bench door: a slow card
        self.refuses = False  # bench door: takes no block that is written
        self.stall_us = 0  # bench door: busy for no less than that after each block
        self.blocks_to_die = 0  # bench door: so many from the next one written on never take anything
        self._dead = range(0)
        self.on_power = None  # called when the card gets its supply back; for the SPI side of it (spi_card.py)
        self.before_write = self.after_write = self.before_read = None
        self.journal = None

    def read_layout(self):
        """Learn where FAT and directory lie, to count writes by region. Raises ValueError without a FAT volume."""
        self.layout = CardLayout(self._raw_block)

    def close(self):
        self._file.close()

    def remove(self):
        """Pull the card out."""
        self.present = False

    def put_back(self):
        """Put it in again: it has to be initialised like one that was just switched on.

        The host may be in the middle of asking whether one is there, so it is not held to the 74 clocks at once.
        """
        self.present = True
        self._ledger.forgive("card", self._clock.now_us + _PLUG_US)
        self._awake = False
        if self.on_power is not None:
            self.on_power()

    # --- bus door: MicroPython's block device protocol ---------------------------------------------------------

    def readblocks(self, block, buf, offset=0):
        length = len(buf)
        if offset:
            self._check(block, offset + length)
            self._file.seek(block * BLOCK + offset)
            self._file.readinto(buf)
            return
        self._check(block, length)
        for index in range(length // BLOCK):
            self._spend_read(block + index)
        self._file.seek(block * BLOCK)
        self._file.readinto(buf)

    def writeblocks(self, block, buf, offset=0):
        if offset or len(buf) % BLOCK:
            self._ledger.object("card", "a write that is not of whole blocks")
            raise OSError(_EINVAL)
        self._check(block, len(buf))
        if len(buf) == BLOCK:
            self._write_one(block, buf)
            return
        view = memoryview(buf)
        for index in range(len(buf) // BLOCK):
            self._write_one(block + index, view[index * BLOCK:(index + 1) * BLOCK])

    def ioctl(self, operation, argument):
        if operation == _IOCTL_COUNT:
            return self.block_count
        if operation == _IOCTL_SIZE:
            return BLOCK
        if operation == _IOCTL_INIT:
            if not self._awake and self._clock is not None:
                self._clock.advance(_WAKE_US)
            self._awake = True
            return 0 if self.present else 1
        if operation in (_IOCTL_DEINIT, _IOCTL_SYNC, _IOCTL_ERASE):
            return 0
        return None

    # ---------------------------------------------------------------------------------------------------------

    def _check(self, block, length):
        if self._clock is not None and self._clock.ending is not None:
            raise self._clock.ending  # no supply, no write: also not by a file that is closed on the way out
        if not self.present:
            if self._clock is not None:
                self._clock.advance(_TRANSFER_US)
            raise OSError(_EIO)
        if block < 0 or block * BLOCK + length > self.block_count * BLOCK:
            if self._ledger is not None:
                self._ledger.object("card", "block %d is beyond the card's last, %d" % (block, self.block_count - 1))
            raise OSError(_EINVAL)

    def _spend_read(self, block):
        self._count_read(block)
        if self._clock is not None:
            self._clock.advance(_TRANSFER_US + 300)

    def _write_one(self, block, data):
        if self._is_refused(block):
            self._clock.advance(_TRANSFER_US)
            raise OSError(_EIO)
        self._put(block, data)
        if self._clock is not None:
            self._clock.advance(_TRANSFER_US + self.busy_us())
        if self.after_write is not None:
            self.after_write(block)

    # --- the same for the SPI side, which takes its own time -------------------------------------------------

    def fetch(self, block, buf):
        """One block into `buf`. OSError if a hook says so."""
        self._count_read(block)
        self._file.seek(block * BLOCK)
        self._file.readinto(buf)

    def store(self, block, data):
        """One block onto the card. OSError if it is refused."""
        if self._clock.ending is not None:
            raise self._clock.ending
        if self._is_refused(block):
            raise OSError(_EIO)
        self._put(block, data)
        if self.after_write is not None:
            self.after_write(block)

    def busy_us(self):
        """How long the card programs this time. [us]"""
        draw = self._noise.bits32()
        busy_us = 200 + (draw & 1023)
        if draw % _TIDY_ODDS == 0:
            busy_us += 8000 + (draw >> 10) % 32000
        if draw % _STALL_ODDS == 0:
            busy_us += 60000
        return max(min(busy_us * self.busy_factor, _BUSY_US_MAX), self.stall_us)

    def _is_refused(self, block):
        if self.blocks_to_die:
            self._dead = range(block, block + self.blocks_to_die)
            self.blocks_to_die = 0
        return self.refuses or block in self._dead

    # ---------------------------------------------------------------------------------------------------------

    def _count_read(self, block):
        self.read_count += 1
        if self._clock is None:
            return
        if self.before_read is not None:
            self.before_read(block)
        if self.layout is not None:
            self._ledger.count("card_reads_" + self.layout.region(block))

    def _put(self, block, data):
        self.write_count += 1
        if self.before_write is not None:
            data = self.before_write(block, data) or data
        if self.layout is not None and self._clock is not None:
            region = self.layout.region(block)
            self._ledger.count("card_writes_" + region)
            if region == DIRECTORY:
                seconds = (self._clock.now_us - self._clock.boot_us) // 1000000
                data = stamped(self._raw_block(block), data, seconds)
        self._file.seek(block * BLOCK)
        self._file.write(data)
        if self.journal is not None:
            self.journal.note(CARD_WRITE, block, 0, data)

    def _raw_block(self, block):
        self._file.seek(block * BLOCK)
        data = self._file.read(BLOCK)
        return data + bytes(BLOCK - len(data))


def _open_unbuffered(path):
    try:
        return open(path, "r+b", buffering=0)
    except TypeError:  # MicroPython's files are unbuffered and know no such argument
        return open(path, "r+b")

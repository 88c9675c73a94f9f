"""SD card on an SPI bus shaped like machine.SPI: a block device for vfs.VfsFat and the log.

Sections: SD Specifications Part 1, Physical Layer Simplified Specification, chapter 7 (SPI mode) and 5.3 (CSD).

- CRC is switched on (CMD59, 7.2.2): a card that takes a block with a flipped bit for good is worse than a slow one.
- Every wait is bounded, and a block counts as written only when the card has accepted it, has finished programming
  and says in its status (CMD13) that nothing went wrong. With `lazy` set, writing one block is over when the card has
  accepted it; settle() says later how it ended, so that a card busy for a second or two holds up nobody.
- What failed by a bad check sum or a time-out is tried again, RETRIES times; then OSError says what it was, `status`
  too. A card that fell silent is initialised afresh before the next block. Nothing is ever refused in silence.
- Moving one block allocates nothing. Moving several makes a view per block.
"""

from firmware.drivers.sdcard_codes import capacity_blocks, crc7, crc16
from firmware.status import ABSENT, BUS_FAULT, CRC_FAULT, NOT_READY, OK, REFUSED, TIMEOUT, WRONG_CHIP
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import OutputPin, SpiBus

RETRIES = const(3)

_BLOCK = const(512)
_SLOW_HZ = const(400000)  # identification (7.2.1, 4.2.1)
_TICKS_MASK = const(0x3FFFFFFF)  # ticks_ms wraps at 2**30 on boards

_READY_MS = const(500)  # longest busy time of a write: 250 ms, SDXC 500 ms (4.6.2.2)
_LAZY_MS = const(2500)  # real cards exceed that while they tidy up (common practice, no source), and nobody waits here
_READ_MS = const(200)  # longest time to the first byte: 100 ms (4.6.2.1)
_START_MS = const(2000)  # ACMD41 may take a second (4.2.3)
_R1_BYTES = const(9)  # a response comes within eight bytes (7.5.1.1)

_IDLE = const(0x01)
_ILLEGAL = const(0x04)
_CRC_ERROR = const(0x08)
_NO_RESPONSE = const(0xFF)

_TOKEN_BLOCK = const(0xFE)  # 7.3.3.2
_TOKEN_NEXT = const(0xFC)
_TOKEN_STOP = const(0xFD)
_ACCEPTED = const(0x05)  # data response (7.3.3.1)
_DATA_CRC = const(0x0B)

# errno values, as MicroPython has them
_EIO = const(5)
_ENODEV = const(19)
_EINVAL = const(22)
_ETIMEDOUT = const(110)


class SDCard:
    """begin() once, then readblocks, writeblocks and ioctl as MicroPython's block protocol has them.

    `feed()`, if there is one, is the watchdog's.
    """

    def __init__(self, spi: "SpiBus", cs: "OutputPin", ticks_ms, sleep_ms, hz: int = 10000000, feed=None):
        self._spi = spi
        self._cs = cs
        self._ticks_ms = ticks_ms
        self._sleep_ms = sleep_ms
        self._hz = hz
        self._feed = feed
        self._frame = bytearray(6)
        self._byte = bytearray(1)
        self._pair = bytearray(2)
        self._four = bytearray(4)
        self._csd = bytearray(16)
        self._addressed_by_block = False
        self._ready = False
        self._lazy_ms = -1  # since when a block is being programmed that nobody waits for; -1: none is
        self.lazy = False
        self.blocks = 0  # capacity
        self.status = ABSENT  # of the last call; see firmware/status.py
        self.errors = 0  # tries that failed since power-up

    def begin(self) -> int:
        """Initialise the card (7.2.1). ABSENT: nobody answers; WRONG_CHIP: not a card we can use; else what failed."""
        self._ready = False
        self._spi.init(baudrate=_SLOW_HZ)
        try:
            self.status = self._identify()
        finally:
            self._release()
            self._spi.init(baudrate=self._hz)
        self._ready = self.status == OK
        return self.status

    def readblocks(self, block: int, buf, offset: int = 0) -> None:
        """Fill `buf`, whole blocks only. OSError: ENODEV, EIO, ETIMEDOUT, EINVAL."""
        count = self._count(block, buf, offset)
        status = OK
        for _ in range(RETRIES):
            status = self._prepare()
            if status != OK:
                break  # begin() has tried hard enough
            status = self._read_one(block, buf) if count == 1 else self._read_many(block, buf, count)
            self._release()
            if status == OK:
                break
            self._failed(status)
        self._finish(status)

    def writeblocks(self, block: int, buf, offset: int = 0) -> None:
        """Write `buf`, whole blocks only; back when they are on the card. OSError: ENODEV, EIO, ETIMEDOUT, EINVAL."""
        count = self._count(block, buf, offset)
        status = OK
        for _ in range(RETRIES):
            status = self._prepare()
            if status != OK:
                break
            status = self._write_one(block, buf) if count == 1 else self._write_many(block, buf, count)
            if status == NOT_READY:
                self._release()
                self._lazy_ms = self._ticks_ms()
                return
            if status == OK:
                status = self._programmed()
            self._release()
            if status == OK:
                break
            self._failed(status)
        self._finish(status)

    def settle(self) -> int:
        """How the block written last with `lazy` set ended: NOT_READY while the card is busy with it."""
        if self._lazy_ms < 0:
            return OK
        self._cs(0)
        busy = self._clock() != 0xFF
        self._release()
        if busy and (self._ticks_ms() - self._lazy_ms) & _TICKS_MASK <= _LAZY_MS:
            return NOT_READY
        self._lazy_ms = -1
        status = TIMEOUT
        for _ in range(0 if busy else RETRIES):  # the question may be hurt on the way, and so may the answer
            status = self._programmed()
            self._release()
            if status == OK:
                break
        self.status = status
        if status != OK:
            self._failed(status)
        return status

    def ioctl(self, op: int, arg: int):
        """1 initialise, 2 let go, 3 sync, 4 number of blocks, 5 block size, 6 erase (nothing to do)."""
        if op == 1:
            self._finish(self.begin())
            return 0
        if op == 2:
            self._ready = False
            return 0
        if op == 3 or op == 6:
            return 0
        if op == 4:
            if not self._ready:
                self._finish(self.begin())
            return self.blocks
        if op == 5:
            return _BLOCK
        return None

    def _identify(self) -> int:
        self._cs(1)
        for _ in range(10):  # at least 74 clocks with the card not selected (6.4.1.1)
            self._clock()
        for _ in range(5):
            response = self._command(0, 0)
            if response == _IDLE:
                break
            self._sleep_ms(1)
        if response != _IDLE:
            return ABSENT if response == _NO_RESPONSE else BUS_FAULT
        response = self._command(8, 0x1AA)  # 2.7 to 3.6 V, and a pattern to come back
        host_capacity = 0
        if response == _IDLE:
            self._spi.readinto(self._four, 0xFF)
            if self._four[2] & 0x0F != 1 or self._four[3] != 0xAA:
                return WRONG_CHIP
            host_capacity = 0x40000000
        elif not response & _ILLEGAL or response == _NO_RESPONSE:  # version 1 cards don't know CMD8
            return BUS_FAULT
        if self._command(59, 1) & ~_IDLE:  # CRC on
            return REFUSED
        start_ms = self._ticks_ms()
        while True:
            self._command(55, 0)
            response = self._command(41, host_capacity)
            if response == 0:
                break
            if response != _IDLE:
                return WRONG_CHIP  # an MMC, or no card at all any more
            if (self._ticks_ms() - start_ms) & _TICKS_MASK > _START_MS:
                return TIMEOUT
            self._sleep_ms(5)
        if self._command(58, 0) != 0:  # OCR
            return BUS_FAULT
        self._spi.readinto(self._four, 0xFF)
        self._addressed_by_block = host_capacity != 0 and self._four[0] & 0x40 != 0  # CCS
        if not self._addressed_by_block and self._command(16, _BLOCK) != 0:
            return REFUSED
        if self._command(9, 0) != 0:
            return BUS_FAULT
        status = self._take_block(self._csd)
        if status == OK:
            self.blocks = capacity_blocks(self._csd)
            if self.blocks == 0:
                status = WRONG_CHIP
        return status

    def _read_one(self, block: int, buf) -> int:
        status = self._address(17, block)
        return status if status != OK else self._take_block(buf)

    def _read_many(self, block: int, buf, count: int) -> int:
        view = memoryview(buf)
        status = self._address(18, block)
        if status != OK:
            return status
        for i in range(count):
            status = self._take_block(view[i * _BLOCK : (i + 1) * _BLOCK])
            if status != OK:
                break
        self._command(12, 0)
        ended = self._wait_not_busy()
        return status if status != OK else ended

    def _write_one(self, block: int, buf) -> int:
        status = self._address(24, block)
        return status if status != OK else self._send_block(_TOKEN_BLOCK, buf)

    def _write_many(self, block: int, buf, count: int) -> int:
        view = memoryview(buf)
        status = self._address(25, block)
        if status != OK:
            return status
        for i in range(count):
            status = self._send_block(_TOKEN_NEXT, view[i * _BLOCK : (i + 1) * _BLOCK])
            if status != OK:
                break
        if status == OK:
            self._put(_TOKEN_STOP)
        else:
            self._command(12, 0)
        self._clock()  # busy begins one byte later (7.2.4)
        ended = self._wait_not_busy()
        return status if status != OK else ended

    def _take_block(self, buf) -> int:
        """Wait for the start token, fill `buf`, check the CRC."""
        start_ms = self._ticks_ms()
        token = self._clock()
        while token == 0xFF:
            if (self._ticks_ms() - start_ms) & _TICKS_MASK > _READ_MS:
                return TIMEOUT
            token = self._clock()
        if token != _TOKEN_BLOCK:
            return REFUSED  # an error token (7.3.3.3)
        self._spi.readinto(buf, 0xFF)
        pair = self._pair
        self._spi.readinto(pair, 0xFF)
        return OK if crc16(buf) == pair[0] << 8 | pair[1] else CRC_FAULT

    def _send_block(self, token: int, buf) -> int:
        """Send one block; back when the card has programmed it, or NOT_READY where nobody waits for that."""
        crc = crc16(buf)
        pair = self._pair
        pair[0] = crc >> 8
        pair[1] = crc & 0xFF
        self._clock()  # a gap of one byte before the token (7.5.2, N_WR)
        self._put(token)
        self._spi.write(buf)
        self._spi.write(pair)
        response = self._clock() & 0x1F
        if response == _DATA_CRC:
            self._wait_not_busy()
            return CRC_FAULT
        if response != _ACCEPTED:
            self._wait_not_busy()
            return REFUSED if response == 0x0D else BUS_FAULT
        return NOT_READY if self.lazy and token == _TOKEN_BLOCK else self._wait_not_busy()

    def _programmed(self) -> int:
        """CMD13: did the programming of what was accepted succeed?"""
        response = self._command(13, 0)
        if response == _NO_RESPONSE:
            return ABSENT
        return OK if response == 0 and self._clock() == 0 else REFUSED

    def _address(self, command: int, block: int) -> int:
        response = self._command(command, block if self._addressed_by_block else block * _BLOCK)
        if response == 0:
            return OK
        if response == _NO_RESPONSE:
            return ABSENT
        if response & _CRC_ERROR:
            return CRC_FAULT
        return BUS_FAULT if response & _IDLE else REFUSED

    def _command(self, number: int, argument: int) -> int:
        """Send a command and give its R1; 0xFF if there is none."""
        frame = self._frame
        frame[0] = 0x40 | number
        frame[1] = argument >> 24 & 0xFF
        frame[2] = argument >> 16 & 0xFF
        frame[3] = argument >> 8 & 0xFF
        frame[4] = argument & 0xFF
        frame[5] = crc7(frame, 5)
        if number != 12:  # stopping a read comes in the middle of data
            self._release()
            self._cs(0)
            if number != 0 and self._wait_not_busy() != OK:
                return _NO_RESPONSE
        self._spi.write(frame)
        if number == 12:
            self._clock()  # a stuff byte (7.3.1.3)
        for _ in range(_R1_BYTES):
            response = self._clock()
            if not response & 0x80:
                return response
        return _NO_RESPONSE

    def _wait_not_busy(self) -> int:
        start_ms = self._ticks_ms()
        while self._clock() != 0xFF:
            if (self._ticks_ms() - start_ms) & _TICKS_MASK > _READY_MS:
                return TIMEOUT
        return OK

    def _release(self) -> None:
        self._cs(1)
        self._clock()  # the card lets go of the line only with eight more clocks

    def _clock(self) -> int:
        """One byte from the card."""
        self._spi.readinto(self._byte, 0xFF)
        return self._byte[0]

    def _put(self, value: int) -> None:
        self._byte[0] = value
        self._spi.write(self._byte)

    def _prepare(self) -> int:
        if self._feed is not None:
            self._feed()  # a try takes four seconds at worst, and one call of the FAT driver makes several
        return OK if self._ready else self.begin()

    def _failed(self, status: int) -> None:
        self.errors += 1
        # A card that says no, or hears badly, is awake; any other may have lost its state, and starting afresh takes
        # 100 ms.
        if status != CRC_FAULT and status != REFUSED:
            self._ready = False

    def _count(self, block: int, buf, offset: int) -> int:
        size = len(buf)
        if offset or size == 0 or size % _BLOCK or block < 0 or (self._ready and block + size // _BLOCK > self.blocks):
            raise OSError(_EINVAL)
        return size // _BLOCK

    def _finish(self, status: int) -> None:
        self.status = status
        if status == OK:
            return
        if status == ABSENT:
            raise OSError(_ENODEV)
        if status == TIMEOUT:
            raise OSError(_ETIMEDOUT)
        raise OSError(_EIO)

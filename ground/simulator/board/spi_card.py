"""The virtual SD card at its SPI bytes: tokens, check sums and busy times before the block store (card.py).

SD Specifications Part 1, Physical Layer Simplified Specification, chapter 7; sections in brackets. Where it leaves the
card a choice, this one does what makes a careless host stumble: a response comes after a byte of NCR, and the undefined
bits of a data response are ones (7.3.3.1).

Kinds: "sdhc" (high capacity, addressed by block), "sdsc" (version 2, addressed by byte), "sdsc1" (version 1, knows no
CMD8). Strict: a first command before 74 clocks, identification above 400 kHz, data above 25 MHz, a command with a wrong
check sum where it counts, bytes sent while the card is busy, stray bytes, CS raised in the middle of a block or
command: each is noted in the ledger, unless the wire itself is hurt (`flip_odds`), and the card then does what the
section says.
"""

from ground.simulator.board.spi_card_codes import cid, crc16, csd
from ground.simulator.board.spi_card_commands import BLOCK, READ_US, CardCommands

_ACCEPTED, _DATA_CRC, _WRITE_ERROR = 0xE5, 0xEB, 0xED  # data responses with ones where "x" stands (7.3.3.1)
_TOKEN, _TOKEN_MULTIPLE, _TOKEN_STOP = 0xFE, 0xFC, 0xFD
_ERROR_TOKEN, _RANGE_TOKEN = 0x01, 0x08  # 7.3.3.3


class SpiCard(CardCommands):
    """One card on an SPI bus; `select` hears its CS pin.

    Parameters
    ----------
    store : card.Card
        Blocks, their hooks, counts and busy times.
    noise : Noise
        Decides which bytes are hurt when `flip_odds` is set, and the serial number.
    """

    def __init__(self, clock, ledger, store, noise, kind="sdhc"):
        self._clock = clock
        self._ledger = ledger
        self._store = store
        self._noise = noise
        self.kind = kind
        self._csd = csd(store.block_count, kind == "sdhc")
        self._cid = cid(noise.bytes(4))
        self.flip_odds = 0  # bench door: one byte in so many is hurt
        self.command_log = None  # bench door: a list gets every command's number
        self.status_errors = 0  # bench door: how many of the next CMD13 say that something failed
        self._hz = 0
        self._selected = False
        store.on_power = self.power_on
        self.power_on()

    def power_on(self):
        """Supply applied, or the card put in: it knows nothing and waits for 74 clocks and CMD0."""
        self._mode = "off"
        self._clocks = 0
        self._crc_on = False
        self._next_is_application = False
        self._knows_voltage = False
        self._started_us = -1
        self._busy_until_us = 0
        self._status = 0
        self._let_go()

    def _let_go(self):
        self._frame = bytearray()
        self._out = b""
        self._out_at = 0
        self._reading = -1  # block whose data comes next
        self._is_multiple = False
        self._register = None  # CSD or CID to be said
        self._data_us = 0
        self._writing = -1  # block whose data is awaited
        self._data = None  # bytes of it so far

    # --- bus door --------------------------------------------------------------------------------------------

    def clocked_at(self, hz):
        self._hz = hz

    def select(self, level):
        """The CS pin moved."""
        if level and self._selected:
            if self._frame or self._data is not None:
                self._object("CS raised in the middle of a %s" % ("command" if self._frame else "block"))
            self._frame = bytearray()
            self._data = None
            self._out, self._out_at = b"", 0
            self._reading, self._register = -1, None  # reading ends with CS (7.2.3); programming goes on (7.2.4)
            self._writing = -1
        self._selected = not level

    def hear(self, buf):
        """Bytes from the host, what comes back is dropped."""
        data = self._data
        if data is not None and not self.flip_odds and self._is_there() and len(data) + len(buf) <= BLOCK + 2:
            self._data.extend(buf)
            if len(self._data) == BLOCK + 2:
                self._take_block()
            return
        for value in buf:
            self.exchange(value)

    def say(self, buf, filler):
        """Fill `buf` while the host sends `filler`."""
        length, at = len(buf), self._out_at
        is_plain = filler == 0xFF and not self._frame and not self.flip_odds
        if is_plain and at + length <= len(self._out) and self._is_there():
            buf[:] = self._out[at:at + length]
            self._out_at = at + length
            return
        for index in range(length):
            buf[index] = self.exchange(filler)

    def exchange(self, value):
        """One byte each way."""
        if not self._is_there():
            if not self._selected:
                self._clocks += 1
            return 0xFF
        if self.flip_odds:
            return self._hurt(self._exchange(self._hurt(value)))
        return self._exchange(value)

    # ---------------------------------------------------------------------------------------------------------

    def _is_there(self):
        return self._selected and self._store.present

    def _object(self, what):
        if not self.flip_odds:
            self._ledger.object("card", what)

    def _hurt(self, value):
        if self._noise.bits32() % self.flip_odds == 0:
            return value ^ 1 << (self._noise.bits32() >> 8 & 7)
        return value

    def _exchange(self, value):
        reply = self._reply()
        if self._data is not None:
            self._data.append(value)
            if len(self._data) == BLOCK + 2:
                self._take_block()
        elif self._frame or value & 0xC0 == 0x40:
            if not self._frame and reply == 0x00 and self._is_busy() and value != 0x40:  # CMD0 always may
                self._object("a command while the card is busy")
            self._frame.append(value)
            if len(self._frame) == 6:
                self._obey()
        elif self._writing >= 0 and value in (_TOKEN, _TOKEN_MULTIPLE, _TOKEN_STOP):
            self._token(value)
        elif value != 0xFF:
            self._object("stray byte 0x%02X" % value)
        return reply

    def _is_busy(self):
        return self._clock.now_us < self._busy_until_us

    def _reply(self):
        at = self._out_at
        if at < len(self._out):
            self._out_at = at + 1
            return self._out[at]
        if self._is_busy():
            return 0x00
        if (self._reading >= 0 or self._register is not None) and self._clock.now_us >= self._data_us:
            self._load_data()
            self._out_at = 1
            return self._out[0]
        return 0xFF

    def _token(self, value):
        if self._is_busy():
            self._object("a token while the card is busy")
        if value == (_TOKEN_MULTIPLE if self._is_multiple else _TOKEN):
            self._data = bytearray()
        elif value == _TOKEN_STOP and self._is_multiple:
            self._writing = -1
            self._out, self._out_at = b"\xff", 0  # busy begins a byte later (7.2.4)
            self._be_busy()
        else:
            count = "several blocks" if self._is_multiple else "one block"
            self._object("token 0x%02X in a write of %s" % (value, count))

    def _be_busy(self):
        self._busy_until_us = self._clock.now_us + self._store.busy_us()

    # --- data ------------------------------------------------------------------------------------------------

    def _load_data(self):
        """Token, block and check sum of what is read, or an error token."""
        data, self._register = self._register, None
        self._out_at = 0
        if data is None:
            block = self._reading
            self._reading = block + 1 if self._is_multiple else -1
            self._data_us = self._clock.now_us + READ_US
            if block >= self._store.block_count:
                self._out = bytes([_RANGE_TOKEN])
                return
            data = bytearray(BLOCK)
            try:
                self._store.fetch(block, data)
            except OSError:
                self._out = bytes([_ERROR_TOKEN])
                return
        crc = crc16(data)
        self._out = bytes([_TOKEN]) + data + bytes([crc >> 8, crc & 0xFF])

    def _take_block(self):
        """A whole block has come: check it, store it, answer."""
        data, self._data = self._data, None
        block = self._writing
        self._writing = block + 1 if self._is_multiple else -1
        crc = data[BLOCK] << 8 | data[BLOCK + 1]
        answer = _ACCEPTED
        if self._crc_on and crc != crc16(memoryview(data)[:BLOCK]):
            self._object("a block with a wrong check sum")
            answer = _DATA_CRC
        elif block >= self._store.block_count:
            answer = _WRITE_ERROR
            self._status |= 0x80  # out of range (7.3.2.3)
        else:
            try:
                self._store.store(block, memoryview(data)[:BLOCK])
            except OSError:
                answer = _WRITE_ERROR
                self._status |= 0x04  # error
        self._out, self._out_at = bytes([answer]), 0
        self._be_busy()

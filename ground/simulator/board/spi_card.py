"""The virtual SD card at its SPI bytes: commands, tokens, check sums and busy times in front of the block store (card.py).

SD Specifications Part 1, Physical Layer Simplified Specification, chapter 7; sections in brackets. Where it leaves the
card a choice, this one does what makes a careless host stumble: a response comes after a byte of NCR, the undefined bits
of a data response are ones (7.3.3.1), and a block is not on the card before its busy time is over.

Kinds: "sdhc" (high capacity, addressed by block), "sdsc" (version 2, addressed by byte), "sdsc1" (version 1, knows no
CMD8). Strict: a first command before 74 clocks, identification above 400 kHz, data above 25 MHz, a command with a wrong
check sum where it counts, bytes sent while the card is busy, stray bytes, CS raised in the middle of a block or command:
each is noted in the ledger, unless the wire itself is hurt (`flip_odds`), and the card then does what the section says.
"""

from ground.simulator.board.spi_card_codes import cid, crc16, csd, last_byte

BLOCK = 512
_IDENTIFY_HZ_MAX = 400000  # 4.2.1
_DATA_HZ_MAX = 25000000  # 6.6.6 (default speed)
_FIRST_CLOCKS = 10  # bytes with CS high: 74 clocks (6.4.1.1)
_START_US = 120000  # from the first ACMD41 to ready; at most a second (4.2.3)
_READ_US = 300  # from a read command to its data; at most 100 ms (4.6.2.1)

_IDLE, _ILLEGAL, _CRC_ERROR, _ADDRESS_ERROR, _PARAMETER_ERROR = 0x01, 0x04, 0x08, 0x20, 0x40  # R1 (7.3.2.1)
_ACCEPTED, _DATA_CRC, _WRITE_ERROR = 0xE5, 0xEB, 0xED  # data responses with ones where "x" stands (7.3.3.1)
_TOKEN, _TOKEN_MULTIPLE, _TOKEN_STOP = 0xFE, 0xFC, 0xFD
_ERROR_TOKEN, _RANGE_TOKEN = 0x01, 0x08  # 7.3.3.3
_IN_IDLE = (0, 1, 8, 9, 10, 13, 41, 55, 58, 59)  # what the card obeys before it is ready (7.3.1.3)


class SpiCard:
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
        if self._data is not None and not self.flip_odds and self._is_there() and len(self._data) + len(buf) <= BLOCK + 2:
            self._data.extend(buf)
            if len(self._data) == BLOCK + 2:
                self._take_block()
            return
        for value in buf:
            self.exchange(value)

    def say(self, buf, filler):
        """Fill `buf` while the host sends `filler`."""
        length, at = len(buf), self._out_at
        if filler == 0xFF and at + length <= len(self._out) and not self._frame and not self.flip_odds and self._is_there():
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
            self._object("token 0x%02X in a write of %s" % (value, "several blocks" if self._is_multiple else "one block"))

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
            self._data_us = self._clock.now_us + _READ_US
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

    # --- commands --------------------------------------------------------------------------------------------

    def _obey(self):
        frame, self._frame = self._frame, bytearray()
        number = frame[0] & 0x3F
        argument = frame[1] << 24 | frame[2] << 16 | frame[3] << 8 | frame[4]
        if self.command_log is not None:
            self.command_log.append(number)
        self._check_clocks(number)
        is_application, self._next_is_application = self._next_is_application, False
        if self._mode == "off" and number != 0:
            return  # still in SD mode: it does not even listen to SPI (7.2.1)
        if (self._crc_on or number in (0, 8)) and frame[5] != last_byte(frame):
            self._object("CMD%d with a wrong check sum" % number)
            self._respond(self._r1() | _CRC_ERROR)
            return
        if number == 12:
            self._stop()
            return
        if self._writing >= 0:
            self._object("CMD%d where the card waits for a block" % number)
            self._writing = -1
        self._reading = -1
        handler = self._APPLICATION.get(number) if is_application else self._COMMANDS.get(number)
        if handler is None or (self._mode == "idle" and number not in _IN_IDLE):
            self._respond(self._r1() | _ILLEGAL)
            return
        handler(self, argument)

    def _check_clocks(self, number):
        if self._mode == "off" and self._clocks < _FIRST_CLOCKS:
            self._object("CMD%d after %d clocks; the card needs 74 with CS high" % (number, self._clocks * 8))
            self._clocks = _FIRST_CLOCKS
        if self._hz > (_DATA_HZ_MAX if self._mode == "ready" else _IDENTIFY_HZ_MAX):
            self._object("CMD%d at %d Hz" % (number, self._hz))

    def _r1(self):
        return 0x00 if self._mode == "ready" else _IDLE

    def _respond(self, r1, more=b""):
        self._out, self._out_at = b"\xff" + bytes([r1]) + more, 0

    def _go_idle(self, argument):
        if self._mode == "ready":
            self._let_go()
        self._mode = "idle"
        self._crc_on = self._knows_voltage = False
        self._started_us = -1
        self._respond(_IDLE)

    def _send_if_cond(self, argument):
        if self.kind == "sdsc1":
            self._respond(self._r1() | _ILLEGAL)
            return
        self._knows_voltage = argument >> 8 & 0x0F == 1
        self._respond(self._r1(), bytes([0, 0, argument >> 8 & 0x0F if self._knows_voltage else 0, argument & 0xFF]))

    def _application_next(self, argument):
        self._next_is_application = True
        self._respond(self._r1())

    def _send_op_cond(self, argument):
        if self.kind != "sdsc1" and not self._knows_voltage:
            self._object("ACMD41 before CMD8")
            self._respond(self._r1())
            return
        if self.kind == "sdhc" and not argument & 0x40000000:
            self._respond(self._r1())  # it never gets ready for a host that can't address it (4.2.3)
            return
        now_us = self._clock.now_us
        if self._started_us < 0:
            self._started_us = now_us
        if now_us - self._started_us >= _START_US:
            self._mode = "ready"
        self._respond(self._r1())

    def _read_ocr(self, argument):
        top = 0
        if self._mode == "ready":
            top = 0xC0 if self.kind == "sdhc" else 0x80
        self._respond(self._r1(), bytes([top, 0xFF, 0x80, 0x00]))

    def _set_crc(self, argument):
        self._crc_on = bool(argument & 1)
        self._respond(self._r1())

    def _send_csd(self, argument):
        self._send_register(self._csd)

    def _send_cid(self, argument):
        self._send_register(self._cid)

    def _send_register(self, data):
        self._register = data
        self._data_us = self._clock.now_us + _READ_US
        self._respond(self._r1())

    def _send_status(self, argument):
        status, self._status = self._status, 0
        if self.status_errors:
            self.status_errors -= 1
            status |= 0x04
        self._respond(self._r1(), bytes([status]))

    def _set_block_length(self, argument):
        if argument != BLOCK:
            self._object("a block length of %d; this card is used with 512" % argument)
        self._respond(self._r1() | (_PARAMETER_ERROR if argument != BLOCK else 0))

    def _read_one(self, argument):
        self._read(argument, False)

    def _read_many(self, argument):
        self._read(argument, True)

    def _read(self, argument, is_multiple):
        block = self._block(argument)
        if block >= 0:
            self._reading, self._is_multiple = block, is_multiple
            self._data_us = self._clock.now_us + _READ_US
            self._respond(0x00)

    def _write_one(self, argument):
        self._write(argument, False)

    def _write_many(self, argument):
        self._write(argument, True)

    def _write(self, argument, is_multiple):
        block = self._block(argument)
        if block >= 0:
            self._writing, self._is_multiple = block, is_multiple
            self._respond(0x00)

    def _block(self, argument):
        """The block that is meant; -1, and an answer that says so, for none."""
        if self.kind != "sdhc":
            if argument % BLOCK:
                self._object("address %d is not that of a block" % argument)
                self._respond(_ADDRESS_ERROR)
                return -1
            argument //= BLOCK
        if argument >= self._store.block_count:
            self._object("block %d is beyond the card's last, %d" % (argument, self._store.block_count - 1))
            self._respond(_PARAMETER_ERROR)
            return -1
        return argument

    def _stop(self):
        """CMD12: a byte to be thrown away, a response, busy (7.3.1.3)."""
        if self._reading < 0 and self._writing < 0:
            self._object("CMD12 without a transfer")
        was_writing = self._writing >= 0
        self._reading = self._writing = -1
        self._respond(self._r1())
        self._out = b"\xff" + self._out
        if was_writing:
            self._be_busy()

    _COMMANDS = {
        0: _go_idle, 8: _send_if_cond, 9: _send_csd, 10: _send_cid, 13: _send_status, 16: _set_block_length,
        17: _read_one, 18: _read_many, 24: _write_one, 25: _write_many, 55: _application_next, 58: _read_ocr, 59: _set_crc,
    }  # fmt: skip
    _APPLICATION = {41: _send_op_cond}

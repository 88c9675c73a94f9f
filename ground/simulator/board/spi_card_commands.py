"""What the virtual SD card answers to each command on SPI; the bytes around them are in spi_card.py.

SD Specifications Part 1, Physical Layer Simplified Specification, chapter 7; sections in brackets.
"""

from ground.simulator.board.spi_card_codes import last_byte

BLOCK = 512
_IDENTIFY_HZ_MAX = 400000  # 4.2.1
_DATA_HZ_MAX = 25000000  # 6.6.6 (default speed)
_FIRST_CLOCKS = 10  # bytes with CS high: 74 clocks (6.4.1.1)
_START_US = 120000  # from the first ACMD41 to ready; at most a second (4.2.3)
READ_US = 300  # from a read command to its data; at most 100 ms (4.6.2.1)

_IDLE, _ILLEGAL, _CRC_ERROR, _ADDRESS_ERROR, _PARAMETER_ERROR = 0x01, 0x04, 0x08, 0x20, 0x40  # R1 (7.3.2.1)
_IN_IDLE = (0, 1, 8, 9, 10, 13, 41, 55, 58, 59)  # what the card obeys before it is ready (7.3.1.3)


class CardCommands:
    """The commands of SpiCard, which has the state that they work on."""

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
        self._data_us = self._clock.now_us + READ_US
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
            self._data_us = self._clock.now_us + READ_US
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
        17: _read_one, 18: _read_many, 24: _write_one, 25: _write_many, 55: _application_next, 58: _read_ocr,
        59: _set_crc,
    }  # fmt: skip
    _APPLICATION = {41: _send_op_cond}

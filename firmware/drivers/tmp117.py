"""TMP117 thermometer on any bus shaped like machine.I2C. Sections: TI data sheet SNOSD82D.

Registers are 16 bits, high byte first (7.5.3.4). A reading is one one-shot conversion of 8 averaged samples, 124 ms
(7.4.3, table 7-7), after which the chip sleeps: measuring all the time would warm it by some hundredths of a degree.
The ready bit is cleared by reading the configuration or the result (7.6.3), so the one reading of the configuration
says that the result is new, and that the chip still is in the mode it was put in.
"""

from firmware.status import AFTER_RESET, BUS_FAULT, CRC_FAULT, NOT_READY, OK, REFUSED, TIMEOUT, WRONG_CHIP
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import I2CBus

CONVERSION_MS = const(141)  # 8 x 15.5 ms, 17.5 ms each at most (6.5), one because a tick may end right after the start

_REG_RESULT = const(0x00)
_REG_CONFIG = const(0x01)
_REG_ID = const(0x0F)
_SERIAL_REGISTERS = (0x05, 0x06, 0x08)  # factory-written, for tracing the part (7.6.7 to 7.6.10)
_ID = const(0x117)  # bits 11..0; above them the revision (7.6.11)
_RESET = const(0x0002)
_RESET_MS = const(3)  # 2 ms (7.6.3)
_RESET_TRIES = const(4)
_READY = const(0x2000)
_BUSY = const(0x1000)  # the chip fetches its settings from its own memory
_ONE_SHOT = const(0x0C20)  # MOD 11, AVG 01 (8 samples)
_SLEEPING = const(0x0420)  # MOD 01, the same averaging: what follows a one-shot conversion (7.4.3)
_POWER_ON = const(0x0220)  # continuous, 8 samples, a second each (7.6.3)
_MODE = const(0x0FFC)  # bits 11..2: all that we set, without the flags
_NEVER = const(0x8000)  # -256 degC, until the first conversion has ended (7.6.2)


class TMP117:
    """Temperature `raw`, signed, 1/128 degC, and the chip's `serial` number.

    start() and read() never wait or raise and allocate nothing; unless they say OK, `raw` keeps its value.
    """

    def __init__(self, i2c: "I2CBus", address: int = 0x48, sleep_ms=None):
        self._i2c = i2c
        self.address = address
        self._sleep_ms = sleep_ms
        self._buf = bytearray(2)
        self._word = 0
        self.serial = bytearray(8)  # 48 bits, then zeros
        self.raw = 0

    def begin(self) -> int:
        """Identify, reset and put to sleep; 3 ms. WRONG_CHIP, or REFUSED if it keeps other than what was written."""
        status = self._fetch(_REG_ID)
        if status != OK:
            return status
        if self._word & 0x0FFF != _ID:
            return WRONG_CHIP
        status = self._reset()
        if status == OK:
            status = self._store(_REG_CONFIG, _SLEEPING)
        if status == OK:
            status = self._fetch(_REG_CONFIG)
        if status != OK:
            return status
        if self._word & _MODE != _SLEEPING:
            return REFUSED
        serial = self.serial
        for place in range(3):
            status = self._fetch(_SERIAL_REGISTERS[place])
            if status != OK:
                return status
            serial[2 * place] = self._word >> 8
            serial[2 * place + 1] = self._word & 0xFF
        return OK

    def start(self) -> int:
        """Begin a conversion; read it after CONVERSION_MS."""
        return self._store(_REG_CONFIG, _ONE_SHOT)

    def read(self) -> int:
        """Fetch a finished conversion. NOT_READY while it lasts; AFTER_RESET: the chip forgot what it was told.

        CRC_FAULT: its configuration reads back as neither ours nor its own, so it was hurt on the way.
        """
        status = self._fetch(_REG_CONFIG)
        if status != OK:
            return status
        config = self._word
        if config & _MODE == _ONE_SHOT:
            return NOT_READY
        if config & _MODE != _SLEEPING:
            return AFTER_RESET if config & _MODE == _POWER_ON else CRC_FAULT
        if not config & _READY:
            return NOT_READY
        status = self._fetch(_REG_RESULT)
        if status != OK:
            return status
        raw = self._word
        if raw == _NEVER:
            return AFTER_RESET
        self.raw = raw - 0x10000 if raw & 0x8000 else raw
        return OK

    def _reset(self):
        status = self._store(_REG_CONFIG, _RESET)
        for _ in range(_RESET_TRIES):
            if status != OK:
                return status
            if self._sleep_ms is not None:
                self._sleep_ms(_RESET_MS)
            status = self._fetch(_REG_CONFIG)
            if status == OK and not self._word & _BUSY:
                return OK
        return TIMEOUT if status == OK else status

    def _fetch(self, register):
        buf = self._buf
        try:
            self._i2c.readfrom_mem_into(self.address, register, buf)
        except OSError:  # machine.I2C's word for a missing ACK or a stuck bus
            return BUS_FAULT
        self._word = buf[0] << 8 | buf[1]
        return OK

    def _store(self, register, value):
        buf = self._buf
        buf[0] = value >> 8
        buf[1] = value & 0xFF
        try:
            self._i2c.writeto_mem(self.address, register, buf)
        except OSError:
            return BUS_FAULT
        return OK

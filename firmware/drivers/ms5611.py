"""MS5611 barometer on any bus shaped like machine.I2C. Sections: TE Connectivity data sheet MS5611-01BA03.

The chip has no identity register and no busy bit. Its calibration PROM is told from noise by a CRC-4 (application note
AN520), and a conversion that was read too early comes back as 0 ("ADC READ sequence"), which also stops the conversion.
"""

from array import array

from firmware.status import BUS_FAULT, CRC_FAULT, NOT_READY, OK, WRONG_CHIP
from shared_protocol.compat import const
from shared_protocol.records import CHIP_MS5611

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import I2CBus

_CMD_ADC_READ = const(0x00)
_CMD_RESET = const(0x1E)
_CMD_CONVERT_D1 = const(0x40)  # + 2 x the oversampling index
_CMD_CONVERT_D2 = const(0x50)
_CMD_PROM_READ = const(0xA0)  # + 2 x the word number
_RELOAD_MS = const(3)  # 2.8 ms until the PROM is loaded after a reset ("RESET SEQUENCE")

# Longest conversion per oversampling ratio 256, 512, 1024, 2048, 4096: 0.60 1.17 2.28 4.54 9.04 ms ("ELECTRICAL
# CHARACTERISTICS"), rounded up to whole milliseconds. One more is added, because a tick may end right after the start.
_CONVERSION_MS = (1, 2, 3, 5, 10)
_OSR_4096 = const(4)


def prom_crc4(prom) -> int:
    """CRC-4 over the eight PROM words, the CRC's own four bits taken as 0 (AN520, polynomial x^4 + x + 1)."""
    remainder = 0
    for position in range(16):
        word = prom[position >> 1]
        if position == 14:
            remainder ^= word >> 8
        elif position != 15:  # the low byte of word 7 holds the CRC and counts as 0
            remainder ^= word & 0xFF if position & 1 else word >> 8
        for _ in range(8):
            remainder = (remainder << 1) ^ 0x3000 if remainder & 0x8000 else remainder << 1
            remainder &= 0xFFFF
    return remainder >> 12


class MS5611:
    """Raw pressure `d1` and temperature `d2`, 24 bits each, and the eight PROM words that give them a meaning.

    start_*() and read_*() never wait or raise and allocate nothing; unless they say OK, d1 and d2 keep their values.
    """

    chip = CHIP_MS5611  # number of the record's `chip` field
    together = False  # pressure and temperature are two conversions

    def __init__(self, i2c: "I2CBus", address: int = 0x77, sleep_ms=None, oversampling: int = _OSR_4096):
        self._i2c = i2c
        self.address = address
        self._sleep_ms = sleep_ms
        self._command = bytearray(1)
        self._word = bytearray(2)
        self._result = bytearray(3)
        self._convert_d1 = _CMD_CONVERT_D1 + 2 * oversampling
        self._convert_d2 = _CMD_CONVERT_D2 + 2 * oversampling
        self.conversion_ms = _CONVERSION_MS[oversampling]
        self.prom = array("H", [0] * 8)
        self._found = array("H", [0] * 8)
        self.d1 = 0  # last good raw pressure
        self.d2 = 0  # last good raw temperature

    def begin(self) -> int:
        """Reset the chip and read its PROM; 3 ms. BUS_FAULT, CRC_FAULT, or WRONG_CHIP for a PROM that can't be one.

        `prom` is only changed when OK is returned.
        """
        status = self._send(_CMD_RESET)
        if status != OK:
            return status
        if self._sleep_ms is not None:
            self._sleep_ms(_RELOAD_MS)
        found = self._found
        word = self._word
        for number in range(8):
            status = self._send(_CMD_PROM_READ + 2 * number)
            if status != OK:
                return status
            try:
                self._i2c.readfrom_into(self.address, word)
            except OSError:
                return BUS_FAULT
            found[number] = word[0] << 8 | word[1]
        # A bus held low reads as an all-zero PROM, and that one passes the CRC; a bus held high reads all ones.
        # No real chip has a zero among C1 to C6: each is a factor or an offset of a trimmed sensor.
        for number in range(1, 7):
            if found[number] == 0 or found[number] == 0xFFFF:
                return WRONG_CHIP
        if prom_crc4(found) != found[7] & 0x0F:
            return CRC_FAULT
        for number in range(8):
            self.prom[number] = found[number]
        return OK

    def start_pressure(self) -> int:
        """Begin a pressure conversion; read it after `conversion_ms`."""
        return self._send(self._convert_d1)

    def start_temperature(self) -> int:
        """Begin a temperature conversion; read it after `conversion_ms`."""
        return self._send(self._convert_d2)

    def read_pressure(self) -> int:
        """Fetch a finished pressure conversion into `d1`."""
        status = self._fetch()
        if status == OK:
            result = self._result
            self.d1 = result[0] << 16 | result[1] << 8 | result[2]
        return status

    def read_temperature(self) -> int:
        """Fetch a finished temperature conversion into `d2`."""
        status = self._fetch()
        if status == OK:
            result = self._result
            self.d2 = result[0] << 16 | result[1] << 8 | result[2]
        return status

    def _fetch(self) -> int:
        status = self._send(_CMD_ADC_READ)
        if status != OK:
            return status
        result = self._result
        try:
            self._i2c.readfrom_into(self.address, result)
        except OSError:
            return BUS_FAULT
        # 0 is the chip's word for "not finished" or "never started"; the conversion has to be begun again.
        if not (result[0] | result[1] | result[2]):
            return NOT_READY
        return OK

    def _send(self, command: int) -> int:
        self._command[0] = command
        try:
            self._i2c.writeto(self.address, self._command)
        except OSError:  # machine.I2C's word for a missing ACK or a stuck bus
            return BUS_FAULT
        return OK

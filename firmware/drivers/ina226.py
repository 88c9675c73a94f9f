"""INA226 voltage and current meter on any bus shaped like machine.I2C. Sections: TI data sheet SBOS547A.

Registers are 16 bits, high byte first (7.5.5). Only the bus and shunt registers are logged; current and power are
products of the calibration register, and the ground computes them better. It is set all the same, to 2048, which makes
the current register equal the shunt register (7.5.1): a chip that browned out is known by its calibration of 0.

The configuration in use, 0x4527: 16 samples averaged (AVG = 010), 1.1 ms for each of the two (VBUSCT = VSHCT = 100,
table 8), shunt and bus, continuous (mode 7). A pair takes 35.2 ms, 38.7 ms at most, and is always ready in time.
There are no ranges: +-81.92 mV across the shunt (0.8 A with 0.1 ohm), 2.5 uV a step; the bus goes to 36 V, 1.25 mV a
step.
"""

from firmware.status import AFTER_RESET, BUS_FAULT, NOT_READY, OK, REFUSED, WRONG_CHIP
from shared_protocol.compat import const
from shared_protocol.records import CHIP_INA226

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import I2CBus

CONFIG = const(0x4527)
CONFIG_POWER_ON = const(0x4127)  # 7.6.2

_REG_CONFIG = const(0x00)
_REG_SHUNT = const(0x01)
_REG_BUS = const(0x02)
_REG_CALIBRATION = const(0x05)
_REG_MASK = const(0x06)
_REG_MANUFACTURER = const(0xFE)
_REG_DIE = const(0xFF)
_MANUFACTURER = const(0x5449)  # "TI"
_DIE = const(0x2260)
_CALIBRATION = const(2048)
_READY = const(0x0008)  # CVRF, cleared by reading this register (7.6.8)
_OVERFLOW = const(0x0004)  # OVF: current or power did not fit
_SHUNT_MAX = const(0x7FFF)
_SHUNT_MIN = const(0x8000)


class INA226:
    """Raw `bus_raw` (1.25 mV) and `shunt_raw` (signed, 2.5 uV).

    read() never waits or raises and allocates nothing; unless it says OK, the values stay.
    """

    chip = CHIP_INA226  # number of the record's `chip` field

    def __init__(self, i2c: "I2CBus", address: int = 0x40):
        self._i2c = i2c
        self.address = address
        self._buf = bytearray(2)
        self._word = 0
        self._config = CONFIG
        self.bus_raw = 0
        self.shunt_raw = 0
        self.at_limit = False  # the last pair: the shunt's full scale, or an overflow
        self.config_raw = 0  # configuration as the chip read it back

    def begin(self, config: int = CONFIG) -> int:
        """Identify the chip, write the configuration and read it back.

        BUS_FAULT, WRONG_CHIP, or REFUSED if something else comes back.
        """
        self._config = config
        status = self._identify()
        if status == OK:
            status = self._store(_REG_CALIBRATION, _CALIBRATION)
        if status == OK:
            status = self._store(_REG_CONFIG, config)  # last: it starts the conversions afresh
        return self.check() if status == OK else status

    def _identify(self):
        """A chip that acknowledges but has no such register, as its elder brother INA219, is a wrong one too."""
        status = self._fetch(_REG_MANUFACTURER)
        if status != OK:  # once more, for a disturbance is no other chip
            status = self._fetch(_REG_MANUFACTURER)
        if status != OK:
            return WRONG_CHIP if self._fetch(_REG_CONFIG) == OK else status
        if self._word != _MANUFACTURER:
            return WRONG_CHIP
        status = self._fetch(_REG_DIE)
        if status == OK and self._word & 0xFFF0 != _DIE:  # the low four bits are the revision (7.6.11)
            return WRONG_CHIP
        return status

    def check(self) -> int:
        """Read both settings back. AFTER_RESET: power-on values, its supply dipped; REFUSED: others. begin() again."""
        status = self._fetch(_REG_CONFIG)
        if status != OK:
            return status
        self.config_raw = self._word
        status = self._fetch(_REG_CALIBRATION)
        if status != OK:
            return status
        if self._word == _CALIBRATION and self.config_raw == self._config:
            return OK
        return AFTER_RESET if self._word == 0 and self.config_raw == CONFIG_POWER_ON else REFUSED

    def read(self) -> int:
        """Fetch both voltages if a new pair is ready; NOT_READY otherwise."""
        status = self._fetch(_REG_MASK)
        if status != OK:
            return status
        mask = self._word
        if not mask & _READY:
            return NOT_READY
        status = self._fetch(_REG_BUS)
        if status != OK:
            return status
        bus = self._word
        status = self._fetch(_REG_SHUNT)
        if status != OK:
            return status
        shunt = self._word
        self.bus_raw = bus
        self.shunt_raw = shunt - 0x10000 if shunt & 0x8000 else shunt
        self.at_limit = mask & _OVERFLOW != 0 or shunt == _SHUNT_MAX or shunt == _SHUNT_MIN
        return OK

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

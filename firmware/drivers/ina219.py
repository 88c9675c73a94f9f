"""INA219 voltage and current meter on any bus shaped like machine.I2C. Sections: TI data sheet SBOS448G.

Registers are 16 bits, big-endian (8.5.3). Only the bus and shunt registers are logged: current and power are products
of the calibration register, and the ground computes them better. Two things are done all the same, both for the ready
bit, which proves that a pair is new: reading the power register clears it (8.6.3.2), and that one wants a calibration.

The configuration in use, 0x3EEF:
- bus range 32 V (BRNG = 1): the step is 4 mV in both ranges (8.6.3.2), so the wider one costs nothing, and a cold panel
  in full sun may well pass the narrow one's 16 V with its circuit open. It is only a scale: the pins end at 26 V (7.1);
- shunt gain /8, +-320 mV (PG = 11): with 0.1 ohm 3.2 A full scale. The step is 10 uV (0.1 mA) at every gain, so a
  narrower range would gain no resolution either (Table 4);
- 32 samples averaged, 17.02 ms for each of the two (BADC = SADC = 1101, Table 5): the spinning box turns little between
  the voltage and the current of one pair, the noise falls to a sixth, and a pair (34 ms) is always ready in time;
- mode 7: shunt and bus, continuous.
"""

from firmware.status import AFTER_RESET, BUS_FAULT, NOT_READY, OK, REFUSED
from shared_protocol.compat import const
from shared_protocol.records import CHIP_INA219

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import I2CBus

CONFIG = const(0x3EEF)
CONFIG_POWER_ON = const(0x399F)  # 8.6.2.1

_REG_CONFIG = const(0x00)
_REG_SHUNT = const(0x01)
_REG_BUS = const(0x02)
_REG_POWER = const(0x03)
_REG_CALIBRATION = const(0x05)
_CALIBRATION = const(4096)  # the current register then equals the shunt register (8.5.1)
_OVERFLOW = const(0x0001)  # OVF (8.6.3.2)
_READY = const(0x0002)  # CNVR of the bus register (8.6.3.2)


class INA219:
    """Raw `bus_raw` (bits 15..3 count 4 mV; bit 0: overflow) and `shunt_raw` (signed, 10 uV).

    read() never waits or raises and allocates nothing; unless it says OK, the values stay.
    """

    chip = CHIP_INA219  # number of the record's `chip` field

    def __init__(self, i2c: "I2CBus", address: int = 0x40):
        self._i2c = i2c
        self.address = address
        self._buf = bytearray(2)
        self._word = 0
        self._config = CONFIG
        self.bus_raw = 0
        self.shunt_raw = 0
        self.at_limit = False  # the last pair: math overflow
        self.config_raw = 0  # configuration as the chip read it back

    def begin(self, config: int = CONFIG) -> int:
        """Write the configuration and read it back. BUS_FAULT, or REFUSED if something else comes back."""
        self._config = config
        status = self._store(_REG_CALIBRATION, _CALIBRATION)
        if status == OK:
            status = self._store(_REG_CONFIG, config)  # last: it starts the conversions afresh
        return self.check() if status == OK else status

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
        status = self._fetch(_REG_BUS)
        if status != OK:
            return status
        bus = self._word
        if not bus & _READY:
            return NOT_READY
        status = self._fetch(_REG_SHUNT)
        if status != OK:
            return status
        shunt = self._word
        status = self._fetch(_REG_POWER)  # clears the ready bit
        if status != OK:
            return status
        self.bus_raw = bus
        self.at_limit = bus & _OVERFLOW != 0
        self.shunt_raw = shunt - 0x10000 if shunt & 0x8000 else shunt
        return OK

    def _fetch(self, register: int) -> int:
        buf = self._buf
        try:
            self._i2c.readfrom_mem_into(self.address, register, buf)
        except OSError:  # machine.I2C's word for a missing ACK or a stuck bus
            return BUS_FAULT
        self._word = buf[0] << 8 | buf[1]
        return OK

    def _store(self, register: int, value: int) -> int:
        buf = self._buf
        buf[0] = value >> 8
        buf[1] = value & 0xFF
        try:
            self._i2c.writeto_mem(self.address, register, buf)
        except OSError:
            return BUS_FAULT
        return OK

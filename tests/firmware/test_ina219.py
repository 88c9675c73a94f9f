"""INA219 driver: configuration written and read back, the ready bit, signs and byte order."""

import pytest

from firmware.drivers.ina219 import CONFIG, CONFIG_POWER_ON, INA219
from firmware.status import AFTER_RESET, BUS_FAULT, NOT_READY, OK, REFUSED
from tests.check_values import check_value
from tests.firmware.driver_faults import CountingBus, DeadBus
from tests.interpreters import INTERPRETERS, run


class Chip:
    """Six registers; results are read-only, the ready bit is cleared by reading power or writing the configuration."""

    def __init__(self):
        self.power_on()
        self.bus = 0
        self.shunt = 0

    def power_on(self):
        self.registers = {0: CONFIG_POWER_ON, 5: 0}
        self.ready = False

    def convert(self, bus, shunt):
        self.bus, self.shunt, self.ready = bus, shunt, True

    def writeto_mem(self, address, register, buf):
        assert address == 0x40
        assert register in (0, 5), "write to a read-only register"
        assert len(buf) == 2
        self.registers[register] = buf[0] << 8 | buf[1]
        if register == 0:
            self.ready = False

    def readfrom_mem_into(self, address, register, buf):
        assert address == 0x40
        assert len(buf) == 2
        if register == 1:
            value = self.shunt & 0xFFFF
        elif register == 2:
            value = self.bus << 3 | self.ready << 1
        elif register == 3:
            assert self.registers[5], "power without a calibration"
            value = 0x1234
            self.ready = False
        else:
            value = self.registers[register]
        buf[0], buf[1] = value >> 8, value & 0xFF


def make():
    chip = Chip()
    return chip, INA219(chip)


def test_the_configuration_is_what_the_module_says_it_is():
    assert CONFIG >> 13 & 1 == 1  # 32 V
    assert CONFIG >> 11 & 3 == 3  # +-320 mV
    assert CONFIG >> 7 & 15 == CONFIG >> 3 & 15 == 0b1101  # 32 samples
    assert CONFIG & 7 == 7  # shunt and bus, continuous
    assert int(check_value("ina219.lsb")["expected"]["config_power_on"], 16) == CONFIG_POWER_ON


def test_the_configuration_is_written_and_read_back():
    chip, meter = make()
    assert meter.begin() == OK
    assert chip.registers[0] == CONFIG == meter.config_raw
    assert meter.begin(0x399F) == OK
    assert chip.registers[0] == 0x399F == meter.config_raw


def test_a_chip_that_keeps_something_else_is_refused():
    chip, meter = make()
    plain = chip.writeto_mem
    chip.writeto_mem = lambda address, register, buf: plain(address, register, bytes([buf[0] ^ 0x20, buf[1]]))
    assert meter.begin() == REFUSED


def test_a_brown_out_of_the_chip_is_noticed():
    chip, meter = make()
    meter.begin()
    assert meter.check() == OK
    chip.power_on()
    assert meter.check() == AFTER_RESET
    assert meter.begin() == OK


def test_registers_of_the_data_sheet_come_through():
    case = check_value("ina219.example")
    chip, meter = make()
    meter.begin()
    chip.convert(case["expected"]["bus_shifted"], int(case["inputs"]["reg01_shunt"], 16))
    assert meter.read() == OK
    assert meter.bus_raw & ~3 == int(case["inputs"]["reg02_bus"], 16)
    assert meter.shunt_raw == 0x07D0


def test_negative_shunt_voltages_have_their_sign():
    case = check_value("ina219.shunt_codes")
    chip, meter = make()
    meter.begin()
    for code, millivolt in zip(case["inputs"]["code"], case["expected"]["mV"], strict=True):
        chip.convert(1000, int(code, 16))
        assert meter.read() == OK
        assert meter.shunt_raw * 0.01 == pytest.approx(millivolt)


def test_the_same_pair_is_not_given_twice():
    chip, meter = make()
    meter.begin()
    assert meter.read() == NOT_READY
    chip.convert(1000, 50)
    assert meter.read() == OK
    chip.bus = 2000
    assert meter.read() == NOT_READY
    assert (meter.bus_raw >> 3, meter.shunt_raw) == (1000, 50)


def test_a_failure_at_any_bus_call_is_a_status_and_leaves_the_pair_whole():
    chip = Chip()
    counter = CountingBus(chip)
    meter = INA219(counter)
    meter.begin()
    begin_calls = counter.calls
    chip.convert(1000, 50)
    meter.read()
    for place in range(1, begin_calls + 1):
        assert INA219(CountingBus(Chip(), place)).begin() == BUS_FAULT
    for place in range(begin_calls + 1, counter.calls + 1):
        chip = Chip()
        meter = INA219(CountingBus(chip, place))
        meter.begin()
        chip.convert(1000, 50)
        assert meter.read() == BUS_FAULT
        assert (meter.bus_raw, meter.shunt_raw) == (0, 0)
    assert INA219(DeadBus(110)).begin() == BUS_FAULT


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_reading_allocates_nothing(interpreter):
    out = run(
        """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.drivers.ina219 import INA219
class Bus:
    def __init__(self): self.config = bytearray(2)
    def writeto_mem(self, addr, reg, buf): pass
    def readfrom_mem_into(self, addr, reg, buf):
        buf[0] = 0xF0
        buf[1] = 0x62
meter = INA219(Bus())
result = [0]
def turns():
    for _ in range(100):
        result[0] += meter.read()
        meter.check()
heap_lock()
try:
    turns()
finally:
    heap_unlock()
print(result[0], meter.bus_raw, meter.shunt_raw)
""",
        interpreter,
    )
    assert out.split() == ["0", str(0xF062), str(0xF062 - 0x10000)]

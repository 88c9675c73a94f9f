"""INA226 driver against the virtual chip, which objects to whatever the data sheet does not allow."""

import pytest

from firmware.drivers.ina219 import INA219
from firmware.drivers.ina226 import CONFIG, CONFIG_POWER_ON, INA226
from firmware.status import AFTER_RESET, BUS_FAULT, NOT_READY, OK, REFUSED, WRONG_CHIP
from ground.simulator.board.chips.ina219 import VirtualIna219
from ground.simulator.board.chips.ina226 import VirtualIna226
from tests.check_values import check_value
from tests.firmware.driver_faults import DeadBus, DyingBus
from tests.interpreters import INTERPRETERS, run
from tests.simulator.bench import ChipBench

ADDRESS = 0x40


def make(volt=5.0, milliampere=100.0, cls=VirtualIna226, driver=INA226, shunt_ohm=0.1):
    bench = ChipBench(panel_bus_v=volt, panel_current_ma=milliampere)
    chip = bench.chip(cls, ideal=True, shunt_ohm=shunt_ohm)
    i2c = bench.i2c({ADDRESS: chip})
    return bench, chip, i2c, driver(i2c, ADDRESS)


def test_the_configuration_is_what_the_module_says_it_is():
    assert CONFIG >> 9 & 7 == 2  # 16 samples
    assert CONFIG >> 6 & 7 == CONFIG >> 3 & 7 == 4  # 1.1 ms
    assert CONFIG & 7 == 7  # shunt and bus, continuous
    assert int(check_value("ina226.lsb")["expected"]["config_power_on"], 16) == CONFIG_POWER_ON


def test_registers_of_the_data_sheets_example_come_through():
    case = check_value("ina226.example")
    given, expected = case["inputs"], case["expected"]
    ampere = expected["shunt_V"] / given["R_shunt_ohm"]
    bench, _, _, meter = make(expected["bus_V"], ampere * 1000, shunt_ohm=given["R_shunt_ohm"])
    assert meter.begin() == OK and meter.config_raw == CONFIG
    bench.clock.sleep_ms(40)
    assert meter.read() == OK
    assert meter.shunt_raw == int(given["reg01_shunt"], 16) and meter.bus_raw == int(given["reg02_bus"], 16)
    assert not meter.at_limit
    assert bench.objections == []


def test_a_pair_is_read_once():
    bench, _, _, meter = make()
    meter.begin()
    bench.clock.sleep_ms(30)
    assert meter.read() == NOT_READY
    bench.clock.sleep_ms(10)
    assert meter.read() == OK
    assert meter.read() == NOT_READY
    assert bench.objections == []


def test_negative_shunt_voltages_have_their_sign():
    bench, _, _, meter = make(milliampere=-300.0)
    meter.begin()
    bench.clock.sleep_ms(40)
    meter.read()
    assert meter.shunt_raw == -12000


@pytest.mark.parametrize("milliampere", [900.0, -900.0])
def test_full_scale_of_the_shunt_is_a_limit(milliampere):
    bench, _, _, meter = make(milliampere=milliampere)
    meter.begin()
    bench.clock.sleep_ms(40)
    assert meter.read() == OK and meter.at_limit
    bench.world.values["panel_current_ma"] = 700.0
    bench.clock.sleep_ms(80)
    assert meter.read() == OK and not meter.at_limit


def test_a_brown_out_of_the_chip_is_noticed_and_the_calibration_restored():
    _, chip, i2c, meter = make()
    meter.begin()
    assert meter.check() == OK
    chip.brown_out()
    assert meter.check() == AFTER_RESET
    assert meter.begin() == OK and meter.check() == OK
    assert int.from_bytes(i2c.readfrom_mem(ADDRESS, 5, 2), "big") == 2048


def test_its_elder_brother_in_its_place_is_a_wrong_chip_and_the_other_way_round():
    assert make(cls=VirtualIna219)[3].begin() == WRONG_CHIP
    assert make(driver=INA219)[3].begin() == REFUSED


@pytest.mark.parametrize("register", [0xFE, 0xFF])
@pytest.mark.parametrize("word", [b"\0\0", b"\xff\xff", b"\x54\x48"])
def test_another_identity_is_a_wrong_chip(register, word):
    _, chip, _, meter = make()
    chip.stick(register, word)
    assert meter.begin() == WRONG_CHIP


def test_a_chip_that_keeps_something_else_is_refused():
    _, chip, _, meter = make()
    chip.stick(5, b"\0\0")
    assert meter.begin() == REFUSED


def test_a_dead_bus_is_a_bus_fault_at_every_transfer():
    assert INA226(DeadBus(), ADDRESS).begin() == BUS_FAULT
    for last in range(20):
        _, _, i2c, _ = make()
        status = INA226(DyingBus(i2c, last), ADDRESS).begin()
        if status == OK:
            assert last > 4
            return
        assert status == BUS_FAULT, last
    pytest.fail("begin() never comes through")


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_nothing_is_allocated_after_construction(interpreter):
    out = run(
        """
from firmware.drivers.ina226 import INA226
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    heap_lock = heap_unlock = lambda: None
class Bus:
    words = {0: 0x4527, 1: 0xF060, 2: 0x2570, 5: 2048, 6: 8, 0xFE: 0x5449, 0xFF: 0x2260}
    def writeto_mem(self, address, register, buf): pass
    def readfrom_mem_into(self, address, register, buf):
        word = self.words[register]
        buf[0] = word >> 8
        buf[1] = word & 0xFF
meter = INA226(Bus(), 0x40)
result = [0]
def turns():
    for _ in range(100):
        result[0] += meter.begin() + meter.read() + meter.check()
heap_lock()
turns()
heap_unlock()
print(result[0], meter.bus_raw, meter.shunt_raw)
""",
        interpreter,
    )
    assert out.split() == ["0", str(0x2570), str(0xF060 - 0x10000)]

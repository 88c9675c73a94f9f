"""The virtual INA219 against the data sheet's example, check values, and two drivers from elsewhere."""

import importlib
import sys
import types

import pytest

from ground.simulator.board.chips import ina219
from ground.simulator.board.chips.ina219 import VirtualIna219
from tests.check_values import check_value
from tests.simulator.bench import ChipBench

ADDRESS = 0x40
CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION = range(6)


def on_the_bench(volt=5.0, milliampere=100.0, **parameters):
    bench = ChipBench(panel_bus_v=volt, panel_current_ma=milliampere)
    chip = bench.chip(VirtualIna219, **{"ideal": True} | parameters)
    return bench, chip, bench.i2c({ADDRESS: chip})


def read(i2c, register):
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, register, 2), "big")


def read_signed(i2c, register):
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, register, 2), "big", signed=True)


def write(i2c, register, value):
    i2c.writeto_mem(ADDRESS, register, value.to_bytes(2, "big"))


def test_the_data_sheets_example_comes_out_to_the_last_bit():
    entry = check_value("ina219.example")
    given, expected = entry["inputs"], entry["expected"]
    amperes = expected["shunt_V"] / given["R_shunt_ohm"]
    bench, _, i2c = on_the_bench(expected["bus_V"], amperes * 1000, shunt_ohm=given["R_shunt_ohm"])
    write(i2c, CONFIG, int(given["config"], 16))
    write(i2c, CALIBRATION, expected["calibration"])
    bench.clock.sleep_ms(5)
    assert read(i2c, SHUNT) == int(given["reg01_shunt"], 16)
    assert read(i2c, BUS) == int(given["reg02_bus"], 16) | 2  # and a conversion is ready
    assert read(i2c, CURRENT) == expected["reg04_current"]
    assert read(i2c, POWER) == expected["reg03_power"]
    assert bench.objections == []


def test_power_on_configuration_is_that_of_the_data_sheet():
    _, _, i2c = on_the_bench()
    assert read(i2c, CONFIG) == int(check_value("ina219.lsb")["expected"]["config_power_on"], 16)
    write(i2c, CONFIG, 0x019F)
    assert read(i2c, CONFIG) == 0x019F
    write(i2c, CONFIG, 0x8000)
    assert read(i2c, CONFIG) == 0x399F


@pytest.mark.parametrize(("gain", "limit_mv"), [(0, 40), (1, 80), (2, 160), (3, 320)])
@pytest.mark.parametrize("sign", [1, -1])
def test_each_gain_clips_at_its_full_scale(gain, limit_mv, sign):
    bench, _, i2c = on_the_bench(milliampere=sign * 5000.0, shunt_ohm=0.1)
    write(i2c, CONFIG, 0x019F & ~0x1800 | gain << 11)
    bench.clock.sleep_ms(5)
    assert read_signed(i2c, SHUNT) == sign * limit_mv * 100
    codes = check_value("ina219.shunt_codes")
    known = dict(zip(codes["expected"]["mV"], codes["inputs"]["code"], strict=True))
    if sign * limit_mv in known:
        assert read(i2c, SHUNT) == int(known[sign * limit_mv], 16)


@pytest.mark.parametrize(
    ("config", "volt", "steps"), [(0x399F, 26.0, 6500), (0x199F, 16.0, 4000), (0x199F, 20.0, 4000)]
)
def test_bus_range_limits_the_bus_register(config, volt, steps):
    bench, _, i2c = on_the_bench(volt)
    write(i2c, CONFIG, config)
    bench.clock.sleep_ms(5)
    assert read(i2c, BUS) >> 3 == steps


def test_quantisation_is_10_microvolts_and_4_millivolts():
    for microampere in range(0, 400, 7):
        bench, _, i2c = on_the_bench(5.0 + microampere / 1e5, microampere / 1000, shunt_ohm=0.1)
        bench.clock.sleep_ms(5)
        assert read_signed(i2c, SHUNT) == pytest.approx(microampere * 0.1 / 10, abs=0.501)
        assert (read(i2c, BUS) >> 3) * 4 == pytest.approx(5000 + microampere / 100, abs=2.01)


@pytest.mark.parametrize(
    ("code", "wait_us"),
    [(0, 168), (1, 296), (2, 552), (3, 1064), (8, 1064), (9, 2120), (10, 4260), (11, 8520), (12, 17020), (13, 34040),
     (14, 68100), (15, 136200)],
)  # fmt: skip
def test_ready_comes_when_both_conversions_have_ended(code, wait_us):
    bench, _, i2c = on_the_bench()
    write(i2c, CONFIG, 0x2007 | code << 7 | code << 3)
    began = bench.clock.now_us
    bench.clock.advance(wait_us - 200 - (bench.clock.now_us - began) if wait_us > 200 else 0)
    if wait_us > 200:
        assert read(i2c, BUS) & 2 == 0
    bench.clock.advance(400)
    assert read(i2c, BUS) & 2


def test_a_result_before_the_first_conversion_is_objected_to():
    bench, _, i2c = on_the_bench()
    write(i2c, CONFIG, 0x3FFF)
    read(i2c, SHUNT)
    assert bench.objections == ["shunt voltage read before the first conversion has ended"]


def test_triggered_mode_converts_once():
    bench, _, i2c = on_the_bench(volt=5.0)
    write(i2c, CONFIG, 0x399B)
    bench.clock.sleep_ms(3)
    assert read(i2c, BUS) >> 3 == 1250
    bench.world.values["panel_bus_v"] = 6.0
    bench.clock.sleep_ms(30)
    assert read(i2c, BUS) >> 3 == 1250
    write(i2c, CONFIG, 0x399B)
    bench.clock.sleep_ms(3)
    assert read(i2c, BUS) >> 3 == 1500


def test_reading_power_clears_ready():
    bench, _, i2c = on_the_bench()
    write(i2c, CONFIG, 0x399B)
    write(i2c, CALIBRATION, 4096)
    bench.clock.sleep_ms(3)
    assert read(i2c, BUS) & 2
    read(i2c, POWER)
    assert read(i2c, BUS) & 2 == 0


def test_overflow_flag_says_that_the_current_does_not_fit():
    bench, _, i2c = on_the_bench(milliampere=3000.0, shunt_ohm=0.1)
    write(i2c, CALIBRATION, 0xFFFE)
    bench.clock.sleep_ms(5)
    assert read(i2c, BUS) & 1
    write(i2c, CALIBRATION, 4096)
    assert read(i2c, BUS) & 1 == 0


def test_calibration_bit_0_cannot_be_set():
    _, _, i2c = on_the_bench()
    write(i2c, CALIBRATION, 0x5001)
    assert read(i2c, CALIBRATION) == 0x5000


@pytest.mark.parametrize("register", [6, 0x7F, 0xFF])
def test_an_unknown_register_is_objected_to_and_not_acknowledged(register):
    bench, _, i2c = on_the_bench()
    with pytest.raises(OSError):
        read(i2c, register)
    assert bench.objections == [f"unknown register 0x{register:02X}"]


def test_misuses_are_objected_to():
    bench, _, i2c = on_the_bench()
    bench.clock.sleep_ms(5)
    write(i2c, SHUNT, 1)
    i2c.writeto(ADDRESS, b"\x05\x10")
    i2c.readfrom_mem(ADDRESS, BUS, 3)
    read(i2c, CURRENT)
    assert bench.objections == [
        "write to register 1, which is read only",
        "1 bytes written to register 5; it holds two",
        "3 bytes read from register 2; it holds two",
        "current read without a calibration",
    ]


def test_specimens_stay_within_the_stated_error():
    for seed in range(40):
        bench, chip, i2c = on_the_bench(10.0, 300.0, seed=seed, ideal=False)
        bench.clock.sleep_ms(5)
        microvolt, volt = read_signed(i2c, SHUNT) * 10, (read(i2c, BUS) >> 3) * 0.004
        assert microvolt == pytest.approx(30000, abs=30000 * ina219.stated_error["current_pct"] / 100 + 100)
        assert volt == pytest.approx(10.0, rel=ina219.stated_error["bus_pct"] / 100)
        assert abs(chip.offset_uv) <= ina219.stated_error["offset_uv"]


class _BusOfAnotherLibrary:
    """busio.I2C as those libraries call it, over machine.I2C."""

    def __init__(self, i2c):
        self._i2c = i2c

    def try_lock(self):
        return True

    def unlock(self):
        pass

    def writeto(self, address, buf, *, start=0, end=None):
        self._i2c.writeto(address, bytes(buf[start:end]))

    def readfrom_into(self, address, buf, *, start=0, end=None):
        memoryview(buf)[start:end] = self._i2c.readfrom(address, len(buf[start:end]))

    def writeto_then_readfrom(self, address, out, into, *, out_start=0, out_end=None, in_start=0, in_end=None):
        self.writeto(address, out, start=out_start, end=out_end)
        self.readfrom_into(address, into, start=in_start, end=in_end)


@pytest.fixture
def circuitpython_driver(monkeypatch):
    """adafruit-circuitpython-ina219 (PyPI)."""
    constants = types.ModuleType("micropython")
    constants.const = lambda value: value
    monkeypatch.setitem(sys.modules, "micropython", constants)
    return pytest.importorskip("adafruit_ina219")


@pytest.mark.parametrize(("volt", "milliampere"), [(0.0, 0.0), (0.5, 1.0), (5.4, 145.0), (12.0, -300.0), (25.9, 799.0)])
@pytest.mark.parametrize("range_", ["set_calibration_32V_2A", "set_calibration_32V_1A"])
def test_a_driver_from_elsewhere_reads_the_bench(volt, milliampere, range_, circuitpython_driver):
    bench, _, i2c = on_the_bench(volt, milliampere, shunt_ohm=0.1)
    sensor = circuitpython_driver.INA219(_BusOfAnotherLibrary(i2c))
    getattr(sensor, range_)()
    bench.clock.sleep_ms(5)
    assert sensor.bus_voltage == pytest.approx(volt, abs=0.0021)
    assert sensor.shunt_voltage * 1000 == pytest.approx(milliampere * 0.1, abs=0.0051)
    assert sensor.current == pytest.approx(milliampere, abs=0.21)
    assert sensor.power == pytest.approx(abs(volt * milliampere) / 1000, abs=0.004 + abs(volt) * 2e-4)
    assert not sensor.overflow
    assert bench.objections == []


@pytest.fixture
def pi_driver(monkeypatch):
    """pi-ina219 (PyPI); the one module of hardware that it wants is handed to it."""
    hardware = types.ModuleType("Adafruit_GPIO")
    hardware.I2C = types.ModuleType("Adafruit_GPIO.I2C")
    monkeypatch.setitem(sys.modules, "Adafruit_GPIO", hardware)
    monkeypatch.setitem(sys.modules, "Adafruit_GPIO.I2C", hardware.I2C)
    monkeypatch.delitem(sys.modules, "ina219", raising=False)
    pytest.importorskip("ina219")
    module = importlib.import_module("ina219")
    yield module, hardware.I2C
    sys.modules.pop("ina219", None)


class _DeviceOfAnotherLibrary:
    def __init__(self, i2c, address):
        self._i2c, self._address = i2c, address

    def writeList(self, register, data):
        self._i2c.writeto_mem(self._address, register, bytes(data))

    def readU16BE(self, register):
        return int.from_bytes(self._i2c.readfrom_mem(self._address, register, 2), "big")

    def readS16BE(self, register):
        return int.from_bytes(self._i2c.readfrom_mem(self._address, register, 2), "big", signed=True)


@pytest.mark.parametrize(("volt", "milliampere"), [(0.02, 0.5), (3.3, 20.0), (5.4, 145.0), (15.9, 390.0)])
def test_a_second_driver_from_elsewhere_reads_the_bench(volt, milliampere, pi_driver, monkeypatch):
    module, hardware = pi_driver
    bench, _, i2c = on_the_bench(volt, milliampere, shunt_ohm=0.1)
    hardware.get_i2c_device = lambda address, busnum=None: _DeviceOfAnotherLibrary(i2c, address)
    monkeypatch.setattr(module.time, "sleep", lambda seconds: bench.clock.sleep(seconds))
    sensor = module.INA219(0.1, 0.4, address=ADDRESS)
    sensor.configure(module.INA219.RANGE_16V, module.INA219.GAIN_1_40MV)
    bench.clock.sleep_ms(5)
    assert sensor.voltage() == pytest.approx(volt, abs=0.0021)
    assert sensor.shunt_voltage() == pytest.approx(milliampere * 0.1, abs=0.0051)
    assert sensor.current() == pytest.approx(milliampere, abs=0.12)
    assert sensor.power() == pytest.approx(volt * milliampere, abs=0.3 + volt * 0.2)
    assert bench.objections == []

"""The virtual INA226 against the data sheet's example, check values, and a driver from elsewhere."""

import pytest

from ground.simulator.board.chips import ina226
from ground.simulator.board.chips.ina226 import VirtualIna226
from tests.check_values import check_value
from tests.simulator.bench import ChipBench

ADDRESS = 0x40
CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION, MASK, LIMIT = range(8)
MANUFACTURER, DIE = 0xFE, 0xFF
READY, OVERFLOW = 8, 4


def on_the_bench(volt=5.0, milliampere=100.0, **parameters):
    bench = ChipBench(panel_bus_v=volt, panel_current_ma=milliampere)
    chip = bench.chip(VirtualIna226, **{"ideal": True} | parameters)
    return bench, chip, bench.i2c({ADDRESS: chip})


def read(i2c, register):
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, register, 2), "big")


def read_signed(i2c, register):
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, register, 2), "big", signed=True)


def write(i2c, register, value):
    i2c.writeto_mem(ADDRESS, register, value.to_bytes(2, "big"))


def test_the_data_sheets_example_comes_out_to_the_last_bit():
    entry = check_value("ina226.example")
    given, expected = entry["inputs"], entry["expected"]
    ampere = expected["shunt_V"] / given["R_shunt_ohm"]
    bench, _, i2c = on_the_bench(expected["bus_V"], ampere * 1000, shunt_ohm=given["R_shunt_ohm"])
    write(i2c, CONFIG, int(given["config"], 16))
    write(i2c, CALIBRATION, expected["calibration"])
    bench.clock.sleep_ms(5)
    assert read(i2c, SHUNT) == int(given["reg01_shunt"], 16)
    assert read(i2c, BUS) == int(given["reg02_bus"], 16)
    assert read(i2c, CURRENT) == expected["reg04_current"]
    assert read(i2c, POWER) == expected["reg03_power"] == int(expected["power_hex"], 16)
    assert bench.objections == []


def test_identity_and_power_on_configuration_are_those_of_the_data_sheet():
    expected = check_value("ina226.lsb")["expected"]
    _, _, i2c = on_the_bench()
    assert read(i2c, CONFIG) == int(expected["config_power_on"], 16)
    assert read(i2c, MANUFACTURER) == int(expected["manufacturer_id_FE"], 16)
    assert read(i2c, DIE) == int(expected["die_id_FF"], 16)
    write(i2c, CONFIG, 0x3EEF)
    assert read(i2c, CONFIG) == 0x4EEF  # the upper bits are not the host's
    write(i2c, CONFIG, 0x8000)
    assert read(i2c, CONFIG) == 0x4127


@pytest.mark.parametrize("sign", [1, -1])
def test_shunt_register_stands_still_at_its_full_scale(sign):
    bench, _, i2c = on_the_bench(milliampere=sign * 5000.0)
    bench.clock.sleep_ms(5)
    expected = check_value("ina226.lsb")["expected"]["shunt_range_mV"]
    assert read_signed(i2c, SHUNT) * 2.5e-3 == pytest.approx(sign * expected, abs=2.5e-3)


def test_quantisation_is_2_5_microvolts_and_1_25_millivolts():
    for step in range(0, 400, 7):
        bench, _, i2c = on_the_bench(5.0 + step / 1e5, step / 1000)
        bench.clock.sleep_ms(5)
        assert read_signed(i2c, SHUNT) * 2.5 == pytest.approx(step * 0.1, abs=1.26)
        assert read(i2c, BUS) * 1.25 == pytest.approx(5000 + step / 100, abs=0.63)


@pytest.mark.parametrize(("code", "longest_us"), [(0, 154), (1, 224), (2, 365), (3, 646), (4, 1210), (5, 2328)])
@pytest.mark.parametrize(("average", "samples"), [(0, 1), (2, 16), (4, 128)])
def test_ready_comes_when_all_averaged_conversions_have_ended(code, longest_us, average, samples):
    bench, _, i2c = on_the_bench()
    write(i2c, CONFIG, 0x4007 | average << 9 | code << 6 | code << 3)
    began = bench.clock.now_us
    longest_us *= 2 * samples
    bench.clock.advance(longest_us - 250)
    assert read(i2c, MASK) & READY == 0
    bench.clock.advance(longest_us + 10 - (bench.clock.now_us - began))
    assert read(i2c, MASK) & READY
    if longest_us > 1000:
        assert read(i2c, MASK) & READY == 0  # reading it cleared it


def test_triggered_mode_converts_once():
    bench, _, i2c = on_the_bench(volt=5.0)
    write(i2c, CONFIG, 0x4123)
    bench.clock.sleep_ms(3)
    assert read(i2c, BUS) == 4000
    bench.world.values["panel_bus_v"] = 6.0
    bench.clock.sleep_ms(30)
    assert read(i2c, BUS) == 4000


def test_overflow_flag_says_that_the_current_does_not_fit():
    bench, _, i2c = on_the_bench(milliampere=700.0)
    write(i2c, CALIBRATION, 0x7FFF)
    bench.clock.sleep_ms(5)
    assert read(i2c, MASK) & OVERFLOW
    write(i2c, CALIBRATION, 2048)
    assert read(i2c, MASK) & OVERFLOW == 0


def test_misuses_are_objected_to():
    bench, _, i2c = on_the_bench()
    read(i2c, SHUNT)
    bench.clock.sleep_ms(5)
    read(i2c, CURRENT)
    write(i2c, BUS, 1)
    write(i2c, MANUFACTURER, 1)
    i2c.writeto(ADDRESS, b"\x05\x10")
    i2c.readfrom_mem(ADDRESS, BUS, 3)
    with pytest.raises(OSError):
        read(i2c, 0x10)
    assert bench.objections == [
        "shunt voltage read before the first conversion has ended",
        "current read without a calibration",
        "write to register 2, which is read only",
        "write to register 254, which is read only",
        "1 bytes written to register 5; it holds two",
        "3 bytes read from register 2; it holds two",
        "unknown register 0x10",
    ]


def test_specimens_stay_within_the_stated_error():
    for seed in range(40):
        bench, _chip, i2c = on_the_bench(10.0, 300.0, seed=seed, ideal=False)
        bench.clock.sleep_ms(5)
        microvolt, volt = read_signed(i2c, SHUNT) * 2.5, read(i2c, BUS) * 0.00125
        gain = ina226.stated_error["gain_pct"] / 100
        assert microvolt == pytest.approx(30000, abs=30000 * gain + ina226.stated_error["shunt_uv"])
        assert volt == pytest.approx(10.0, abs=10.0 * gain + ina226.stated_error["bus_mv"] / 1000)


def test_bench_door_silences_and_browns_out():
    _bench, chip, i2c = on_the_bench()
    write(i2c, CALIBRATION, 2048)
    chip.brown_out()
    assert read(i2c, CALIBRATION) == 0
    chip.silent = True
    with pytest.raises(OSError):
        read(i2c, CONFIG)


@pytest.mark.parametrize(
    ("volt", "milliampere"),
    [(0.0, 0.0), (0.5, 1.0), (5.4, 145.0), (12.0, -300.0), (25.9, 799.0), (36.0, 819.0), (3.3, -819.2)],
)
def test_a_driver_from_elsewhere_reads_the_bench(volt, milliampere):
    """pamoja-sensors (PyPI). Its driver talks to a bus of its own kind only, so the registers are carried across:
    what it writes goes into the virtual chip, and what that one then holds goes into its bus."""
    native = pytest.importorskip("pamoja._native")
    their_part = native.ina226_sim_part(ADDRESS)
    bus = native.I2cBus.simulated([their_part])
    driver = native.Ina226(bus, ADDRESS, 100, 3_200_000, 100)
    driver.init()
    their_part = bus.part(ADDRESS)
    bench, _, i2c = on_the_bench(volt, milliampere)
    write(i2c, CONFIG, their_part.word(CONFIG) & 0x7FFF)
    write(i2c, CALIBRATION, driver.calibration_word)
    bench.clock.sleep_ms(10)
    ours = native.WordPart(ADDRESS)
    for register in (MASK, CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION, MANUFACTURER, DIE):
        ours.set(register, read(i2c, register))
        if register != CONFIG and register != CALIBRATION:
            ours.read_only(register, 0xFFFF)
    driver = native.Ina226(native.I2cBus.simulated([ours]), ADDRESS, 100, 3_200_000, 100)
    reading = driver.measure()
    assert reading.bus_microvolts == pytest.approx(volt * 1e6, abs=626)
    assert reading.shunt_nanovolts == pytest.approx(milliampere * 1e5, abs=1251)
    assert reading.current_microamps == pytest.approx(milliampere * 1000, abs=150)
    assert reading.power_microwatts == pytest.approx(abs(volt * milliampere) * 1000, abs=3000 + abs(volt) * 200)
    assert bench.objections == []

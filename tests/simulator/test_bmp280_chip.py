"""The virtual BMP280 and BME280 against check values, the firmware's conversions, and drivers from elsewhere."""

import random

import pytest

from ground.simulator.board.chips import bmp280
from ground.simulator.board.chips.bmp280 import VirtualBme280, VirtualBmp280
from shared_protocol.conversions import bmp280 as conversion
from tests.check_values import check_value
from tests.simulator.bench import ChipBench
from tests.simulator.other_libraries import CircuitPythonBus, circuitpython

ADDRESS = 0x76
NAMES = ("T1", "T2", "T3", *(f"P{n}" for n in range(1, 10)))
EXAMPLE = [check_value("bmp280.example.int64")["inputs"][f"dig_{name}"] for name in NAMES]
HUMIDITY_EXAMPLE = [check_value("bme280.humidity.example")["inputs"][f"dig_H{n}"] for n in range(1, 7)]
FORCED_X16 = 0b101_101_01


def on_the_bench(hpa=1000.0, celsius=20.0, percent=50.0, cls=VirtualBmp280, **parameters):
    bench = ChipBench(pressure_hpa=hpa, box_c=celsius, box_humidity_pct=percent)
    chip = bench.chip(cls, **{"ideal": True, "calibration": EXAMPLE} | parameters)
    bench.clock.sleep_ms(3)
    return bench, chip, bench.i2c({ADDRESS: chip})


def read(i2c, register, size=1):
    return i2c.readfrom_mem(ADDRESS, register, size)


def write(i2c, register, value):
    i2c.writeto_mem(ADDRESS, register, bytes([value]))


def words(i2c):
    """(adc_P, adc_T) of the data registers."""
    data = read(i2c, 0xF7, 6)
    return int.from_bytes(data[:3], "big") >> 4, int.from_bytes(data[3:], "big") >> 4


def measured(bench, i2c, ctrl_meas=FORCED_X16):
    write(i2c, 0xF4, ctrl_meas)
    bench.clock.sleep_ms(120)
    return words(i2c)


def test_calibration_lies_in_the_registers_as_the_data_sheets_example_does():
    _, _, i2c = on_the_bench()
    given = check_value("bmp280.registers.example")["inputs"]
    assert read(i2c, 0x88, 24) == bytes.fromhex(given["88..9F"].replace(" ", ""))


def test_the_worked_example_comes_out_to_the_last_word():
    entry = check_value("bmp280.example.double")
    bench, _, i2c = on_the_bench(entry["expected"]["p_Pa"] / 100, entry["expected"]["T_C"])
    assert measured(bench, i2c) == pytest.approx((entry["inputs"]["adc_P"], entry["inputs"]["adc_T"]), abs=1)
    assert bench.objections == []


def test_identities_are_those_of_the_data_sheets():
    assert read(on_the_bench()[2], 0xD0)[0] == int(check_value("bmp280.range")["expected"]["chip_id"], 16)
    _bench, _, i2c = on_the_bench(cls=VirtualBme280)
    assert read(i2c, 0xD0)[0] == int(check_value("bme280.differences")["expected"]["chip_id"], 16)


@pytest.mark.parametrize("cls", [VirtualBmp280, VirtualBme280])
def test_a_correct_host_reads_the_world_over_the_whole_range(cls):
    """From a vacuum to 1100 hPa, -40 to 85 degC, with the data sheet's integer formula on the words."""
    rng = random.Random(5)
    for seed in range(60):
        hpa, celsius, percent = rng.uniform(1.0, 1100.0), rng.uniform(-40.0, 85.0), rng.uniform(2.0, 98.0)
        bench, chip, i2c = on_the_bench(hpa, celsius, percent, cls, seed=seed, calibration=None)
        if cls is VirtualBme280:
            write(i2c, 0xF2, 5)
        adc_p, adc_t = measured(bench, i2c)
        centi_c, pressure = conversion.compensate(adc_p, adc_t, chip.calibration)
        assert pressure / 25600 == pytest.approx(hpa, abs=0.006), seed  # two counts of t_fine, a word
        assert centi_c / 100 == pytest.approx(celsius, abs=0.011), seed
        if cls is VirtualBme280:
            raw = int.from_bytes(read(i2c, 0xFD, 2), "big")
            t_fine = conversion.fine_temperature(adc_t, chip.calibration)
            value = conversion.humidity_q10(raw, t_fine, HUMIDITY_EXAMPLE) / 1024
            assert value == pytest.approx(percent, abs=0.05), seed
        assert bench.objections == []


def test_word_before_the_first_measurement_is_the_data_sheets_and_reading_it_is_objected_to():
    bench, _, i2c = on_the_bench()
    never = check_value("bmp280.trap.0x80000")["inputs"]["adc_P"]
    assert words(i2c) == (never, never)
    assert bench.objections == ["data read before the first measurement"]


def test_a_skipped_word_is_never_converted():
    bench, _, i2c = on_the_bench()
    adc_p, adc_t = measured(bench, i2c, 0b001_000_01)
    assert adc_p == 0x80000 != adc_t


@pytest.mark.parametrize(("code", "bits_lost"), [(1, 4), (2, 3), (3, 2), (4, 1), (5, 0)])
def test_resolution_grows_by_a_bit_with_each_doubling(code, bits_lost):
    rng = random.Random(code)
    seen = 0
    for _ in range(40):
        bench, _, i2c = on_the_bench(rng.uniform(300, 1100), 20.0)
        seen |= measured(bench, i2c, code << 5 | code << 2 | 1)[0]
    assert seen & (1 << bits_lost) - 1 == 0 and seen >> bits_lost & 1


@pytest.mark.parametrize("code", [1, 4, 5])
def test_measuring_takes_the_longest_time_of_the_data_sheet(code):
    longest_us = 1250 + 2 * 2300 * 2 ** (code - 1) + 575  # 3.8.1
    bench, _, i2c = on_the_bench()
    write(i2c, 0xF4, code << 5 | code << 2 | 1)
    began = bench.clock.now_us
    bench.clock.advance(longest_us - 200)
    assert read(i2c, 0xF3)[0] & 8
    bench.clock.advance(longest_us + 10 - (bench.clock.now_us - began))
    assert read(i2c, 0xF3)[0] & 8 == 0
    assert read(i2c, 0xF4)[0] & 3 == 0  # forced mode ends in sleep


def test_normal_mode_goes_on_by_itself():
    bench, _, i2c = on_the_bench(1000.0)
    write(i2c, 0xF5, 0b001 << 5)  # 62.5 ms between measurements
    write(i2c, 0xF4, 0b001_001_11)
    bench.clock.sleep_ms(10)
    first = words(i2c)
    bench.world.values["pressure_hpa"] = 900.0
    bench.clock.sleep_ms(10)
    assert words(i2c) == first
    bench.clock.sleep_ms(60)
    assert words(i2c)[0] > first[0] + 1000
    assert bench.objections == []


def test_config_is_ignored_while_the_chip_measures():
    bench, _, i2c = on_the_bench()
    write(i2c, 0xF4, 0b001_001_11)
    write(i2c, 0xF5, 0x10)
    assert read(i2c, 0xF5) == b"\0"
    assert bench.objections == ["config written while the chip measures: ignored"]


def test_humidity_control_takes_effect_with_the_next_write_of_ctrl_meas():
    assert "only after a write to 0xF4" in check_value("bme280.differences")["expected"]["humidity_ctrl_register"]
    bench, _, i2c = on_the_bench(cls=VirtualBme280)
    write(i2c, 0xF4, 0b001_001_11)
    bench.clock.sleep_ms(10)
    write(i2c, 0xF2, 1)
    bench.clock.sleep_ms(20)
    assert read(i2c, 0xFD, 2) == b"\x80\x00"
    write(i2c, 0xF4, 0)
    write(i2c, 0xF4, 0b001_001_01)
    bench.clock.sleep_ms(20)
    assert read(i2c, 0xFD, 2) != b"\x80\x00"


def test_misuses_are_objected_to():
    bench, _, i2c = on_the_bench()
    write(i2c, 0xF4, FORCED_X16)
    words(i2c)
    write(i2c, 0xF4, FORCED_X16)
    read(i2c, 0xA2)
    write(i2c, 0xD0, 1)
    i2c.writeto(ADDRESS, b"\xf4\x00\xf5")
    write(i2c, 0xE0, 0xB6)
    with pytest.raises(OSError):
        read(i2c, 0xD0)
    assert bench.objections == [
        "data read during a measurement",
        "a measurement was begun during another one",
        "unknown register 0xA2 read",
        "write to register 0xD0, which is unknown or read only",
        "3 bytes written; registers and values come in pairs",
        "a measurement was begun during another one",
        "a transfer while the chip starts after a soft reset",
    ]


def test_specimens_stay_within_the_stated_error_and_grow_wild_below_the_rating():
    beyond = 0
    for seed in range(30):
        for hpa in (700.0, 12.0):
            bench, chip, i2c = on_the_bench(hpa, 15.0, seed=seed, ideal=False, calibration=None)
            centi_c, pressure = conversion.compensate(*measured(bench, i2c), chip.calibration)
            assert centi_c / 100 == pytest.approx(15.0, abs=bmp280.stated_error["temperature_c"])
            if hpa > 300:
                assert pressure / 25600 == pytest.approx(hpa, abs=1.0)
            else:
                beyond += abs(pressure / 25600 - hpa) > 1.0
    assert beyond > 3


def test_noise_is_that_of_the_data_sheet():
    bench, _chip, i2c = on_the_bench(500.0, 15.0, ideal=False, seed=3)
    values = [conversion.compensate(*measured(bench, i2c), EXAMPLE)[1] / 256 for _ in range(400)]
    mean = sum(values) / len(values)
    deviation = (sum((value - mean) ** 2 for value in values) / len(values)) ** 0.5
    assert 1.1 < deviation < 1.5  # Pa, at oversampling x16


def test_bench_door_silences_delays_freezes_sticks_flips_and_browns_out():
    bench, chip, i2c = on_the_bench(1000.0)
    first = measured(bench, i2c)
    chip.freeze()
    bench.world.values["pressure_hpa"] = 500.0
    assert measured(bench, i2c) == first
    chip.freeze(False)
    assert measured(bench, i2c) != first
    chip.silent = True
    with pytest.raises(OSError):
        read(i2c, 0xD0)
    chip.silent = False
    chip.flip(0, 3)
    assert read(i2c, 0xD0)[0] == 0x58 ^ 8
    assert read(i2c, 0xD0)[0] == 0x58
    chip.stick(0xF7, b"\x12\x34\x50")
    assert words(i2c)[0] == 0x12345
    chip.stick(0xF7)
    chip.late_us = 500_000
    write(i2c, 0xF4, FORCED_X16)
    bench.clock.sleep_ms(400)
    assert read(i2c, 0xF3)[0] & 8
    bench.clock.sleep_ms(400)
    chip.brown_out()
    bench.clock.sleep_ms(3)
    assert read(i2c, 0xF4) == b"\0" and words(i2c) == (0x80000, 0x80000)


@pytest.mark.parametrize(
    ("hpa", "celsius"), [(1100.0, 85.0), (1013.25, 15.0), (700.0, -5.0), (300.0, -40.0), (120.0, -40.0), (10.0, -20.0)]
)
def test_a_bmp280_driver_from_elsewhere_reads_the_bench(hpa, celsius, monkeypatch):
    """adafruit-circuitpython-bmp280 (PyPI). It cuts t_fine to a whole number, as the data sheet's integers do."""
    library = circuitpython(monkeypatch, "adafruit_bmp280")
    bench, _, i2c = on_the_bench(hpa, celsius, calibration=None)
    monkeypatch.setattr(library, "sleep", bench.clock.sleep)
    sensor = library.Adafruit_BMP280_I2C(CircuitPythonBus(i2c), ADDRESS)
    assert sensor.temperature == pytest.approx(celsius, abs=0.003)
    assert sensor.pressure == pytest.approx(hpa, abs=0.01)
    assert bench.objections == []


@pytest.mark.parametrize(
    ("hpa", "celsius", "percent"),
    [(1100.0, 85.0, 5.0), (1013.25, 15.0, 55.0), (700.0, -5.0, 90.0), (300.0, -40.0, 99.0), (10.0, -20.0, 2.0)],
)
def test_a_bme280_driver_from_elsewhere_reads_the_bench(hpa, celsius, percent, monkeypatch):
    """adafruit-circuitpython-bme280 (PyPI). Its words have 16 bits of temperature: 0.005 degC."""
    library = circuitpython(monkeypatch, "adafruit_bme280.basic")
    bench, _, i2c = on_the_bench(hpa, celsius, percent, VirtualBme280, calibration=None)
    monkeypatch.setattr(library, "sleep", bench.clock.sleep)
    sensor = library.Adafruit_BME280_I2C(CircuitPythonBus(i2c), ADDRESS)
    assert sensor.temperature == pytest.approx(celsius, abs=0.006)
    assert sensor.pressure == pytest.approx(hpa, abs=0.02)
    assert sensor.humidity == pytest.approx(percent, abs=0.05)
    assert bench.objections == []

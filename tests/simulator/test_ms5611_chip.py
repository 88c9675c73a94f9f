"""The virtual MS5611 against the data sheet's example, second-order check values, and a driver from elsewhere."""

import statistics
import types

import pytest

from ground.simulator.board.chips import ms5611
from ground.simulator.board.chips.ms5611 import VirtualMs5611, crc4
from tests.check_values import check_value
from tests.simulator.bench import ChipBench

ADDRESS = 0x77
EXAMPLES = ("ms5611.example", "ms5611.second_order.cool", "ms5611.second_order.cold",
            "ms5611.second_order.stratosphere")  # fmt: skip


def on_the_bench(pressure_hpa=1000.0, box_c=20.0, **parameters):
    bench = ChipBench(pressure_hpa=pressure_hpa, box_c=box_c)
    chip = bench.chip(VirtualMs5611, **parameters)
    return bench, chip, bench.i2c({ADDRESS: chip})


def reset(bench, i2c):
    i2c.writeto(ADDRESS, b"\x1e")
    bench.clock.sleep_ms(3)


def convert(bench, i2c, command, wait_ms=10):
    i2c.writeto(ADDRESS, bytes([command]))
    bench.clock.sleep_ms(wait_ms)
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, 0x00, 3), "big")


def host_formula(prom, d1, d2):
    """(TEMP, P) in 0.01 degC and Pa: the data sheet's integer arithmetic with its second order, written out anew."""
    c1, c2, c3, c4, c5, c6 = prom[1:7]
    dt = d2 - (c5 << 8)
    temp = 2000 + (dt * c6 >> 23)
    off, sens = (c2 << 16) + (c4 * dt >> 7), (c1 << 15) + (c3 * dt >> 8)
    if temp < 2000:
        t2, off2, sens2 = dt * dt >> 31, 5 * (temp - 2000) ** 2 >> 1, 5 * (temp - 2000) ** 2 >> 2
        if temp < -1500:
            off2, sens2 = off2 + 7 * (temp + 1500) ** 2, sens2 + (11 * (temp + 1500) ** 2 >> 1)
        temp, off, sens = temp - t2, off - off2, sens - sens2
    return temp, ((d1 * sens >> 21) - off) >> 15


@pytest.mark.parametrize("name", EXAMPLES)
def test_raw_words_of_the_check_values_come_out_for_their_pressure_and_temperature(name):
    given, expected = check_value(name)["inputs"], check_value(name)["expected"]
    bench, chip, i2c = on_the_bench(expected["P"] / 100, expected["TEMP"] / 100, ideal=True)
    chip.set_prom([0] + [given[f"C{k}"] for k in range(1, 7)] + [0])
    reset(bench, i2c)
    d1, d2 = convert(bench, i2c, 0x48), convert(bench, i2c, 0x58)
    # One step of the printed result is 1 Pa = about 55 counts of D1, and 0.01 degC = about 300 to 400 counts of D2.
    assert d2 == pytest.approx(given["D2"], abs=420)
    assert d1 == pytest.approx(given["D1"], abs=120)
    temperature, pressure = host_formula(chip.prom, d1, d2)
    assert temperature == pytest.approx(expected["TEMP"], abs=1)
    assert pressure == pytest.approx(expected["P"], abs=1)
    assert bench.objections == []


@pytest.mark.parametrize("celsius", [-70.0, -40.0, -15.01, -14.99, -1.0, 0.0, 19.99, 20.01, 35.0, 85.0])
@pytest.mark.parametrize("hectopascal", [3.0, 10.0, 55.0, 265.0, 1013.25, 1100.0])
def test_a_host_gets_back_what_the_bench_sets(celsius, hectopascal):
    bench, chip, i2c = on_the_bench(hectopascal, celsius, ideal=True, seed=5)
    reset(bench, i2c)
    temperature, pressure = host_formula(chip.prom, convert(bench, i2c, 0x48), convert(bench, i2c, 0x58))
    assert temperature / 100 == pytest.approx(celsius, abs=0.021)
    assert pressure / 100 == pytest.approx(hectopascal, abs=0.03)


def test_prom_carries_the_crc_of_the_application_note():
    entry = check_value("ms5611.crc4")
    words = [int(word, 16) for word in entry["inputs"]["prom_words"]]
    assert crc4(words) == int(entry["expected"]["crc4"], 16)
    bench, chip, i2c = on_the_bench(seed=3)
    reset(bench, i2c)
    read = [int.from_bytes(i2c.readfrom_mem(ADDRESS, 0xA0 + 2 * k, 2), "big") for k in range(8)]
    assert read == chip.prom
    assert read[7] & 0xF == crc4(read)
    assert all(0 < word < 0x10000 for word in read[1:7])


def test_specimens_differ_by_seed_and_name_and_stay_within_the_stated_error():
    offsets = set()
    for seed in range(20):
        chip = on_the_bench(seed=seed)[1]
        assert abs(chip.offset_hpa) <= ms5611.stated_error["offset_hpa"]
        assert abs(chip.offset_c) <= ms5611.stated_error["offset_c"]
        offsets.add((chip.offset_hpa, chip.offset_c, tuple(chip.prom)))
    assert len(offsets) == 20
    assert on_the_bench(seed=1)[1].prom == on_the_bench(seed=1)[1].prom


@pytest.mark.parametrize(("rate", "noise_pa"), [(0, 6.5), (2, 2.7), (4, 1.2)])
def test_pressure_noise_is_the_resolution_of_the_data_sheet(rate, noise_pa):
    bench, chip, i2c = on_the_bench(500.0, 25.0, seed=11)
    reset(bench, i2c)
    d2 = (chip.prom[5] << 8) + int(500 / (chip.prom[6] / 2**23))
    values = [host_formula(chip.prom, convert(bench, i2c, 0x40 + 2 * rate), d2)[1] for _ in range(2000)]
    assert statistics.pstdev(values) == pytest.approx(noise_pa, rel=0.12)


def test_a_read_before_the_conversion_ends_gives_zero_and_spoils_the_result():
    bench, _, i2c = on_the_bench(ideal=True)
    reset(bench, i2c)
    good = convert(bench, i2c, 0x48)
    i2c.writeto(ADDRESS, b"\x48")
    bench.clock.sleep_ms(5)
    assert i2c.readfrom_mem(ADDRESS, 0x00, 3) == b"\0\0\0"
    assert "before the end of the conversion" in bench.objections[0]
    bench.clock.sleep_ms(10)
    assert int.from_bytes(i2c.readfrom_mem(ADDRESS, 0x00, 3), "big") not in (0, good)


@pytest.mark.parametrize(("rate", "wait_us"), list(enumerate((600, 1170, 2280, 4540, 9040))))
def test_each_rate_needs_its_own_time(rate, wait_us):
    bench, _, i2c = on_the_bench(ideal=True)
    reset(bench, i2c)
    i2c.writeto(ADDRESS, bytes([0x40 + 2 * rate]))
    bench.clock.sleep_us(wait_us - 200)
    assert i2c.readfrom_mem(ADDRESS, 0x00, 3) == b"\0\0\0"  # the transfer itself takes another 180 us
    bench.clock.sleep_us(400)
    assert i2c.readfrom_mem(ADDRESS, 0x00, 3) != b"\0\0\0"


def test_a_result_can_be_read_once():
    bench, _, i2c = on_the_bench()
    reset(bench, i2c)
    assert convert(bench, i2c, 0x48) > 0
    assert i2c.readfrom_mem(ADDRESS, 0x00, 3) == b"\0\0\0"
    assert bench.objections == ["ADC read without a conversion"]


def test_prom_reads_as_zero_before_the_reset_sequence():
    bench, _, i2c = on_the_bench()
    assert i2c.readfrom_mem(ADDRESS, 0xA2, 2) == b"\0\0"
    assert bench.objections == ["PROM read before the reset sequence"]


def test_nobody_acknowledges_while_the_prom_reloads():
    bench, _, i2c = on_the_bench()
    i2c.writeto(ADDRESS, b"\x1e")
    with pytest.raises(OSError) as caught:
        i2c.readfrom_mem(ADDRESS, 0xA2, 2)
    assert caught.value.args[0] == 5
    assert len(bench.objections) == 1


@pytest.mark.parametrize("command", [0x01, 0x41, 0x4A, 0x5A, 0xA1, 0xB0, 0xFF])
def test_an_unknown_command_is_objected_to(command):
    bench, _, i2c = on_the_bench()
    reset(bench, i2c)
    i2c.writeto(ADDRESS, bytes([command]))
    assert bench.objections == [f"unknown command 0x{command:02X}"]


def test_a_brown_out_asks_for_a_new_reset_sequence():
    bench, chip, i2c = on_the_bench()
    reset(bench, i2c)
    chip.power_on()
    assert i2c.readfrom_mem(ADDRESS, 0xA2, 2) == b"\0\0"


def test_reading_a_pressure_takes_the_time_of_its_conversions():
    bench, _, i2c = on_the_bench()
    reset(bench, i2c)
    before = bench.clock.now_us
    i2c.writeto(ADDRESS, b"\x48")
    i2c.readfrom_mem(ADDRESS, 0x00, 3)  # objected to, but the time is the wires'
    # (2 + 6) bytes x 9 clocks at 400 kHz, and about 0.1 ms of MicroPython
    assert 180 <= bench.clock.now_us - before <= 340


@pytest.mark.parametrize("celsius", [21.0, 40.0, 85.0])
@pytest.mark.parametrize("hectopascal", [12.0, 300.0, 1013.25])
def test_a_driver_from_elsewhere_reads_the_pressure_of_the_bench(celsius, hectopascal, monkeypatch):
    """micropython-ms5611 0.1.0 (PyPI). It forgets the low byte of both words and prints kPa, so it is right to
    255 counts only (5 Pa, 0.01 degC), and its second order is not the data sheet's, so it is tried above 20 degC."""
    driver = pytest.importorskip("micropython_ms5611.ms5611")
    bench, chip, i2c = on_the_bench(hectopascal, celsius, ideal=True, seed=2)
    monkeypatch.setattr(driver, "time", types.SimpleNamespace(sleep_ms=bench.clock.sleep_ms))
    reset(bench, i2c)  # the driver leaves it out, and a strict chip insists
    sensor = driver.MS5611(i2c)
    assert [sensor.c1, sensor.c2, sensor.c3, sensor.c4, sensor.c5, sensor.c6] == chip.prom[1:7]
    temperature, kilopascal = sensor.measurements
    assert temperature == pytest.approx(celsius, abs=0.02)
    assert kilopascal * 10 == pytest.approx(hectopascal, abs=0.08)
    assert bench.objections == []

"""The virtual TMP117 against the data sheet's table and a driver from elsewhere."""

import pytest

from ground.simulator.board.chips import tmp117
from ground.simulator.board.chips.tmp117 import VirtualTmp117
from tests.check_values import check_value
from tests.simulator.bench import ChipBench
from tests.simulator.other_libraries import CircuitPythonBus, circuitpython

ADDRESS = 0x48
RESULT, CONFIG, HIGH, LOW, UNLOCK, EEPROM1, EEPROM2, OFFSET, EEPROM3 = range(9)
ID = 0x0F
ONE_SHOT = 0x0C20


def on_the_bench(celsius=20.0, **parameters):
    bench = ChipBench(probe_outside_c=celsius)
    chip = bench.chip(VirtualTmp117, **{"ideal": True} | parameters)
    return bench, chip, bench.i2c({ADDRESS: chip})


def read(i2c, register):
    return int.from_bytes(i2c.readfrom_mem(ADDRESS, register, 2), "big")


def write(i2c, register, value):
    i2c.writeto_mem(ADDRESS, register, value.to_bytes(2, "big"))


def test_every_line_of_the_data_sheets_table_comes_out():
    for name in ("tmp117.table", "tmp117.extra"):
        entry = check_value(name)
        for code, celsius in zip(entry["inputs"]["code"], entry["expected"]["T_C"], strict=True):
            if celsius == -256.0:
                continue  # "no conversion yet": nothing measures it
            bench, _, i2c = on_the_bench(celsius)
            bench.clock.sleep_ms(150)
            assert read(i2c, RESULT) == int(code, 16)
            assert bench.objections == []


def test_before_the_first_conversion_the_result_is_the_coldest_code():
    bench, _, i2c = on_the_bench()
    assert check_value("tmp117.range")["expected"]["power_on_code"].startswith(f"0x{read(i2c, RESULT):04X} ")
    assert bench.objections == ["result read before the first conversion has ended"]


def test_device_id_and_power_on_configuration():
    _, _, i2c = on_the_bench()
    assert read(i2c, ID) == int(check_value("tmp117.range")["expected"]["device_id_reg_0F"], 16)
    assert read(i2c, CONFIG) == 0x0220


@pytest.mark.parametrize(("averaging", "samples"), [(0, 1), (1, 8), (2, 32), (3, 64)])
def test_one_shot_takes_the_longest_time_and_then_sleeps(averaging, samples):
    bench, _, i2c = on_the_bench(5.0)
    write(i2c, CONFIG, 0x0C00 | averaging << 5)
    began = bench.clock.now_us
    bench.clock.advance(samples * 17500 - 200)
    assert read(i2c, CONFIG) & 0x2C00 == 0x0C00
    bench.clock.advance(began + samples * 17500 - bench.clock.now_us + 10)
    assert read(i2c, CONFIG) & 0x2C00 == 0x2400  # ready, and shut down
    assert read(i2c, CONFIG) & 0x2000 == 0  # reading cleared the bit
    bench.world.values["probe_outside_c"] = 6.0
    bench.clock.sleep_ms(3000)
    assert read(i2c, RESULT) == 5 * 128


def test_ready_is_cleared_by_reading_the_result():
    bench, _, i2c = on_the_bench()
    write(i2c, CONFIG, ONE_SHOT)
    bench.clock.sleep_ms(200)
    read(i2c, RESULT)
    assert read(i2c, CONFIG) & 0x2000 == 0


def test_continuous_mode_follows_once_a_second():
    bench, _, i2c = on_the_bench(5.0)
    bench.clock.sleep_ms(500)
    assert read(i2c, RESULT) == 5 * 128
    bench.world.values["probe_outside_c"] = -40.0
    bench.clock.sleep_ms(400)
    assert read(i2c, RESULT) == 5 * 128
    bench.clock.sleep_ms(400)
    assert read(i2c, RESULT) == 0x10000 - 40 * 128


def test_offset_register_is_added_and_forgotten_by_a_reset():
    bench, _, i2c = on_the_bench(10.0)
    write(i2c, OFFSET, 128)
    write(i2c, CONFIG, ONE_SHOT)
    bench.clock.sleep_ms(200)
    assert read(i2c, RESULT) == 11 * 128
    write(i2c, CONFIG, 2)
    with pytest.raises(OSError):
        read(i2c, ID)
    bench.clock.sleep_ms(3)
    assert read(i2c, CONFIG) == 0x0220 and read(i2c, OFFSET) == 0


def test_misuses_are_objected_to():
    bench, _, i2c = on_the_bench()
    bench.clock.sleep_ms(300)
    read(i2c, 0x0A)
    write(i2c, RESULT, 1)
    write(i2c, EEPROM1, 1)
    i2c.writeto(ADDRESS, b"\x01\x02")
    i2c.readfrom_mem(ADDRESS, RESULT, 3)
    assert bench.objections == [
        "unknown register 0x0A",
        "write to register 0, which is read only",
        "write to register 5, which is read only",
        "1 bytes written to register 1; it holds two",
        "3 bytes read from register 0; it holds two",
    ]


def test_specimens_stay_within_the_stated_error_and_differ_in_serial_number():
    serials = set()
    for seed in range(40):
        bench, _, i2c = on_the_bench(-30.0, seed=seed, ideal=False)
        bench.clock.sleep_ms(300)
        value = (read(i2c, RESULT) - 0x10000) / 128
        assert value == pytest.approx(-30.0, abs=check_value("tmp117.range")["expected"]["acc_-40_70"])
        serials.add(tuple(read(i2c, register) for register in (EEPROM1, EEPROM2, EEPROM3)))
    assert len(serials) == 40
    assert tmp117.stated_error["offset_c"] <= check_value("tmp117.range")["expected"]["acc_-20_50"]


def test_bench_door_freezes_sticks_and_browns_out():
    bench, chip, i2c = on_the_bench(1.0)
    bench.clock.sleep_ms(300)
    chip.freeze()
    bench.world.values["probe_outside_c"] = 2.0
    bench.clock.sleep_ms(3000)
    assert read(i2c, RESULT) == 128
    chip.stick(CONFIG, b"\xff\xff")
    assert read(i2c, CONFIG) == 0xFFFF and read(i2c, RESULT) == 128
    chip.stick(CONFIG)
    chip.brown_out()
    assert read(i2c, RESULT) == 0x8000


@pytest.mark.parametrize("celsius", [-55.0, -40.5, -0.0078125, 0.0, 21.3, 85.0, 150.0])
def test_a_driver_from_elsewhere_reads_the_bench(celsius, monkeypatch):
    """adafruit-circuitpython-tmp117 (PyPI)."""
    library = circuitpython(monkeypatch, "adafruit_tmp117")
    bench, chip, i2c = on_the_bench(celsius)
    monkeypatch.setattr(library.time, "sleep", bench.clock.sleep)
    sensor = library.TMP117(CircuitPythonBus(i2c), ADDRESS)
    assert sensor.temperature == pytest.approx(celsius, abs=0.0040)
    assert sensor.take_single_measurement() == pytest.approx(celsius, abs=0.0040)
    serial = sensor.serial_number
    assert all(f"{word:04X}".lower() in f"{serial:x}".rjust(12, "0").lower() for word in chip.serial)
    assert bench.objections == []

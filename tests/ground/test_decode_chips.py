"""Tables of logs with BMP280, BME280, TMP117, INA226: data sheets' examples, ratings, calibrations that change."""

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode.readings.blocks import by_blocks
from shared_protocol import records as r
from shared_protocol.conversions import bmp280
from tests.check_values import check_value
from tests.ground.log_maker import LogMaker, prom_with_crc
from tests.ground.test_decode_tables import one_boot, tables

ENTRY = check_value("bmp280.example.int64")
CAL = [ENTRY["inputs"][f"dig_{name}"] for name in ("T1", "T2", "T3", *(f"P{n}" for n in range(1, 10)))]
P, T = ENTRY["inputs"]["adc_P"], ENTRY["inputs"]["adc_T"]
WET = check_value("bme280.humidity.example")
HUMIDITY_CAL = [WET["inputs"][f"dig_H{n}"] for n in range(1, 7)]


def humidity_cal(chip=r.CHIP_BME280, words=HUMIDITY_CAL):
    h1, h2, h3, h4, h5, h6 = words
    return (r.HUMIDITY_CAL, 0, chip, h1, h3, h2, h4, h5, h6)


@pytest.mark.parametrize(("number", "name"), [(r.CHIP_BMP280, "bmp280"), (r.CHIP_BME280, "bme280")])
def test_pressure_is_the_data_sheets_example(tmp_path, number, name):
    rows = tables(tmp_path, one_boot((r.BMP280_CAL, 0, number, *CAL), (r.PRESSURE, 0, 0, P, T)))
    row = rows("pressure")[0]
    assert row["pressure_hpa"] == pytest.approx(ENTRY["expected"]["p_Pa"] / 100, abs=0.0005)
    assert row["temperature_c"] == pytest.approx(ENTRY["expected"]["T_centi"] / 100)
    assert row["sensor"] == name and row["flags"] == ""


@pytest.mark.parametrize(("d1", "d2"), [(0x80000, 0x80000), (0x80000, T), (P, 0x80000)])
def test_a_word_that_was_never_converted_is_flagged_and_never_a_number(tmp_path, d1, d2):
    rows = tables(tmp_path, one_boot((r.BMP280_CAL, 0, r.CHIP_BMP280, *CAL), (r.PRESSURE, 0, 0, d1, d2)))
    row = rows("pressure")[0]
    assert row["pressure_hpa"] is None and row["temperature_c"] is None and row["flags"] == "never_converted"
    assert (row["d1"], row["d2"]) == (d1, d2)


def test_pressure_below_300_hpa_is_given_and_flagged(tmp_path):
    entry = check_value("bmp280.below_range")
    words = entry["inputs"]["adc_P"], entry["inputs"]["adc_T"]
    rows = tables(tmp_path, one_boot((r.BMP280_CAL, 0, r.CHIP_BMP280, *CAL), (r.PRESSURE, 0, 0, *words)))
    row = rows("pressure")[0]
    assert row["pressure_hpa"] == pytest.approx(entry["expected"]["formula_p_Pa"] / 100, abs=0.001)
    assert row["flags"] == "out_of_range"


def test_words_of_another_chip_under_this_calibration_are_no_pressure(tmp_path):
    """24-bit words whose own calibration record was lost."""
    rows = tables(tmp_path, one_boot((r.BMP280_CAL, 0, r.CHIP_BMP280, *CAL), (r.PRESSURE, 0, 0, 9085466, 8569150)))
    row = rows("pressure")[0]
    assert row["pressure_hpa"] is None and row["flags"] == "no_calibration"


@pytest.mark.parametrize("word", [0, -1])
def test_a_calibration_from_a_stuck_bus_is_not_used(tmp_path, word):
    words = [word] * 12
    words[0] &= 0xFFFF
    words[3] &= 0xFFFF
    rows = tables(tmp_path, one_boot((r.BMP280_CAL, 0, r.CHIP_BMP280, *words), (r.PRESSURE, 0, 0, P, T)))
    assert rows("pressure")[0]["flags"] == "no_calibration"


def test_humidity_is_the_makers_example(tmp_path):
    adc_t = next(t for t in range(T - 50, T + 50) if bmp280.fine_temperature(t, CAL) == WET["inputs"]["t_fine"])
    log = one_boot((r.BMP280_CAL, 0, r.CHIP_BME280, *CAL), humidity_cal(),
                   (r.HUMIDITY, 0, 0, WET["inputs"]["adc_H"], adc_t), (r.HUMIDITY, 0, 0, 0x8000, adc_t),
                   (r.HUMIDITY, 0, 0, 0xFFFF, adc_t))  # fmt: skip
    rows = tables(tmp_path, log)("humidity")
    assert rows[0]["humidity_pct"] == pytest.approx(WET["expected"]["RH_int_percent"], abs=0.001)
    assert rows[1]["humidity_pct"] is None and rows[1]["flags"] == "never_converted"
    assert rows[2]["humidity_pct"] > 100.0 and rows[2]["flags"] == "out_of_range"


@pytest.mark.parametrize("lost", [r.BMP280_CAL, r.HUMIDITY_CAL])
def test_humidity_without_one_of_its_calibrations_is_null(tmp_path, lost):
    entries = [(r.BMP280_CAL, 0, r.CHIP_BME280, *CAL), humidity_cal()]
    log = one_boot(*(entry for entry in entries if entry[0] != lost), (r.HUMIDITY, 0, 0, 30000, T))
    row = tables(tmp_path, log)("humidity")[0]
    assert row["humidity_pct"] is None and row["flags"] == "no_calibration"


def test_logs_without_such_chips_have_no_such_tables(tmp_path):
    rows = tables(tmp_path, one_boot((r.PRESSURE_CAL, 0, 1, *prom_with_crc()), (r.PRESSURE, 0, 0, 9085466, 8569150)))
    names = {path.stem for path in (rows.folder / "tables").iterdir()}
    assert not names & {"humidity", "bmp280_cal", "humidity_cal", "i2c_probe"}
    assert "pressure" in names


def test_fine_temperatures_stand_beside_the_others(tmp_path):
    log = one_boot((r.PROBE, 0, 2, bytes.fromhex("28ff641e0f5a0000"), b"outside"),
                   (r.I2C_PROBE, 1, r.CHIP_TMP117, 0x49, b"\x01\x02\x03\x04\x05\x06\0\0", b"inside"),
                   (r.TEMPERATURE, 0, 0, -880), (r.FINE_TEMPERATURE, 1, 0, 0x0C80),
                   (r.FINE_TEMPERATURE, 1, 0, -0x8000), (r.TEMPERATURE, 0, 0, 0x0191))  # fmt: skip
    rows = tables(tmp_path, log)
    table = rows("temperature")
    assert [row["probe"] for row in table] == ["outside", "inside", "inside", "outside"]
    assert [row["temperature_c"] for row in table] == [-55.0, 25.0, None, 25.0625]
    assert [row["flags"] for row in table] == ["", "", "never_converted", ""]
    assert [row["t_ms"] for row in table] == sorted(row["t_ms"] for row in table)
    assert rows("i2c_probe")[0]["serial"] == "0102030405060000" and rows("i2c_probe")[0]["chip"] == "tmp117"
    field = pq.read_schema(rows.folder / "tables" / "temperature.parquet").field("temperature_c")
    assert b"outside: -55 to 125 degC (DS18B20" in field.metadata[b"rated"]
    assert b"inside: -55 to 150 degC (TMP117" in field.metadata[b"rated"]


def test_power_of_an_ina226_is_the_data_sheets_example(tmp_path):
    given, expected = (check_value("ina226.example")[key] for key in ("inputs", "expected"))
    words = int(given["reg02_bus"], 16), int(given["reg01_shunt"], 16)
    log = one_boot(
        (r.CHANNEL, 0, r.CHIP_INA226, 0x4527, 2000, b"panel"),
        (r.POWER, 0, 0, *words),
        (r.POWER, 0, 0, words[0], 0x7FFF),
        (r.POWER, 0, 0, words[0], -0x8000),
        (r.POWER, 0, 0, 28801, 0),
    )
    rows = tables(tmp_path, log)
    first, *others = rows("power")
    assert first["bus_v"] == pytest.approx(expected["bus_V"]) and first["shunt_v"] == pytest.approx(expected["shunt_V"])
    assert first["current_ma"] == pytest.approx(1000 * expected["current_A"])
    assert first["power_mw"] == pytest.approx(1000 * expected["power_W"]) and first["flags"] == ""
    assert [row["flags"] for row in others] == ["limit", "limit", "out_of_range"]
    field = pq.read_schema(rows.folder / "tables" / "power.parquet").field("bus_v")
    assert field.metadata[b"rated"] == b"0 to 36 V (INA226 data sheet)"


def test_power_of_a_chip_from_a_newer_firmware_is_null(tmp_path):
    log = one_boot((r.CHANNEL, 0, 99, 0, 2000, b"panel"), (r.POWER, 0, 0, 1, 1))
    row = tables(tmp_path, log)("power")[0]
    assert row["bus_v"] is None and row["current_ma"] is None and row["flags"] == "no_calibration"


def test_each_reading_has_the_calibration_that_held_at_its_time(tmp_path):
    other = [*CAL[:3], CAL[3] + 100, *CAL[4:]]
    log = LogMaker()
    log.boot(1)
    log.add(r.BMP280_CAL, 1000, 0, r.CHIP_BMP280, *CAL)
    log.add(r.PRESSURE, 2000, 0, 0, P, T)
    log.add(r.PRESSURE_CAL, 3000, 0, 1, *prom_with_crc())
    log.add(r.PRESSURE, 3000, 0, 0, 9085466, 8569150)
    log.add(r.BMP280_CAL, 4000, 0, r.CHIP_BME280, *other)
    log.add(r.PRESSURE, 5000, 0, 0, P, T)
    log.add(r.BMP280_CAL, 6000, 0, r.CHIP_BME280, *other)
    log.add(r.PRESSURE, 7000, 0, 0, P, T)
    rows = tables(tmp_path, log)("pressure")
    assert [row["sensor"] for row in rows] == ["bmp280", "ms5611", "bme280", "bme280"]
    expected = [bmp280.compensate(P, T, CAL)[1] / 25600, 1000.09, *[bmp280.compensate(P, T, other)[1] / 25600] * 2]
    assert [row["pressure_hpa"] for row in rows] == pytest.approx(expected)


def test_readings_before_the_first_calibration_of_their_boot_have_that_one(tmp_path):
    log = one_boot((r.PRESSURE, 0, 0, P, T), (r.BMP280_CAL, 0, r.CHIP_BMP280, *CAL))
    assert tables(tmp_path, log)("pressure")[0]["flags"] == ""


def test_a_boot_without_a_calibration_takes_the_last_one_of_the_boot_before(tmp_path):
    log = LogMaker()
    log.boot(1)
    log.add(r.PRESSURE_CAL, 1000, 0, 1, *prom_with_crc())
    log.add(r.BMP280_CAL, 2000, 0, r.CHIP_BMP280, *CAL)
    log.boot(2)
    log.add(r.PRESSURE, 1000, 0, 0, P, T)
    row = tables(tmp_path, log)("pressure")[0]
    assert row["sensor"] == "bmp280" and row["pressure_hpa"] == pytest.approx(
        ENTRY["expected"]["p_Pa"] / 100, abs=0.001
    )


@pytest.mark.parametrize("count", [0, 1, 16383, 16384, 16385, 50000])
def test_blocks_change_nothing(count):
    rng = np.random.default_rng(count)
    words = rng.integers(0, 1 << 20, count), rng.integers(0, 1 << 20, count)
    whole = bmp280.compensate(*words, CAL)
    pieces = by_blocks(lambda p, t: bmp280.compensate(p, t, CAL), *words)
    assert all((a == b).all() and a.dtype == b.dtype for a, b in zip(whole, pieces, strict=True))

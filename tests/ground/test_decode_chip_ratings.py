"""What the decoder says of each chip, against the data sheets (tests/data/check_values.json)."""

import numpy as np
import pytest

from ground.decode.readings.chips import CHIPS, chip_name, describe
from shared_protocol import records
from tests.check_values import check_value


@pytest.mark.parametrize("number", [records.CHIP_BMP280, records.CHIP_BME280])
def test_bmp280_and_bme280_are_rated_as_the_data_sheet_says(number):
    expected = check_value("bmp280.range")["expected"]
    assert list(CHIPS[number].rated["pressure_hpa"]) == expected["p_hPa"]
    assert list(CHIPS[number].rated["temperature_c"]) == expected["T_C"]


def test_tmp117_is_rated_and_as_accurate_as_the_data_sheet_says():
    expected = check_value("tmp117.range")["expected"]
    chip = CHIPS[records.CHIP_TMP117]
    assert list(chip.rated["temperature_c"]) == expected["T_C"]
    said = chip.accuracy["temperature_c"]
    for key, span in (("acc_-20_50", "-20 to 50"), ("acc_-40_70", "-40 to 70"), ("acc_-55_125", "-55 to 125")):
        assert f"{expected[key]:g} degC from {span}" in said or f"{expected[key]:g} from {span}" in said


def test_ina226_bus_is_rated_as_the_data_sheet_says():
    assert CHIPS[records.CHIP_INA226].rated["bus_v"][1] == check_value("ina226.lsb")["expected"]["bus_max_V"]


def test_ends_of_the_rated_range_are_inside_and_unknown_is_not_outside():
    chip = CHIPS[records.CHIP_BMP280]
    values = np.array([299.99, 300.0, 1100.0, 1100.01, np.nan])
    assert chip.outside("pressure_hpa", values).tolist() == [True, False, False, True, False]


def test_every_declared_chip_has_a_name_and_an_unknown_one_its_number():
    numbers = [value for name, value in vars(records).items() if name.startswith("CHIP_")]
    assert len(numbers) >= 7 and all(not chip_name(number).startswith("chip") for number in numbers)
    assert chip_name(99) == "chip99"


def test_sensors_that_differ_are_told_apart_and_those_that_do_not_are_not():
    ours, theirs = CHIPS[records.CHIP_TMP117], CHIPS[records.CHIP_DS18B20]
    assert describe("temperature_c", "degC", {"a": ours, "b": ours})["rated"] == "-55 to 150 degC (TMP117 data sheet)"
    both = describe("temperature_c", "degC", {"a": ours, "b": theirs})
    assert both["rated"] == "a: -55 to 150 degC (TMP117 data sheet); b: -55 to 125 degC (DS18B20 data sheet)"
    assert describe("temperature_c", "degC", {}) == {}

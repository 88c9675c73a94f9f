"""BMP280, BME280, TMP117 and INA226 from raw words, against data sheets (sources in data/check_values.json)."""

import json
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_protocol.conversions import bmp280, ina226, tmp117
from tests.check_values import check_value
from tests.interpreters import INTERPRETERS, run

NAMES = ("T1", "T2", "T3", *(f"P{n}" for n in range(1, 10)))


def calibration(entry):
    return [entry["inputs"][f"dig_{name}"] for name in NAMES]


EXAMPLE = calibration(check_value("bmp280.example.int64"))


def near(actual, entry, key):
    tolerance = entry["tolerance"].get(key, entry["tolerance"].get("*"))
    return actual == pytest.approx(entry["expected"][key], abs=tolerance["abs"])


def test_bmp280_matches_the_data_sheet_s_64_bit_example_to_the_last_count():
    entry = check_value("bmp280.example.int64")
    words, expected = entry["inputs"], entry["expected"]
    t_fine = bmp280.fine_temperature(words["adc_T"], EXAMPLE)
    assert t_fine == expected["t_fine"]
    assert bmp280.compensate(words["adc_P"], words["adc_T"], EXAMPLE) == (expected["T_centi"], expected["p_Q24.8"])


@pytest.mark.parametrize(
    ("name", "key", "tolerance_pa"),
    [("double", "p_Pa", 0.05), ("double", "p_Pa_with_t_fine_truncated_to_int", 0.01), ("int32", "p_Pa", 3.0)],
)
def test_bmp280_agrees_with_the_other_arithmetics_of_the_data_sheet(name, key, tolerance_pa):
    entry = check_value(f"bmp280.example.{name}")
    words = entry["inputs"]
    temp, pressure = bmp280.compensate(words["adc_P"], words["adc_T"], calibration(entry))
    assert pressure / 256 == pytest.approx(entry["expected"][key], abs=tolerance_pa)
    assert temp / 100 == pytest.approx(entry["expected"].get("T_C", 25.08), abs=0.01)


def test_bmp280_rounds_as_the_data_sheet_does_and_not_as_the_maker_s_driver():
    entry = check_value("bmp280.rounding.shift_vs_divide")
    expected = entry["expected"]
    t_fine = bmp280.fine_temperature(entry["inputs"]["adc_T"], EXAMPLE)
    assert t_fine == expected["shift"]["t_fine"] != expected["divide"]["t_fine"]
    assert bmp280.temperature_centi_c(t_fine) == expected["shift"]["T_centi"]


def test_bmp280_registers_hold_what_the_example_says():
    entry = check_value("bmp280.registers.example")
    data = bytes.fromhex(entry["inputs"]["F7..FC"].replace(" ", ""))
    words = struct.unpack("<HhhHhhhhhhhh", bytes.fromhex(entry["inputs"]["88..9F"].replace(" ", "")))
    assert list(words) == [entry["expected"][f"dig_{name}"] for name in NAMES] == EXAMPLE
    assert int.from_bytes(data[:3], "big") >> 4 == entry["expected"]["adc_P"]
    assert int.from_bytes(data[3:], "big") >> 4 == entry["expected"]["adc_T"]


def test_bmp280_word_that_was_never_converted_looks_like_weather_and_is_known_by_name():
    entry = check_value("bmp280.trap.0x80000")
    assert entry["inputs"]["adc_T"] == entry["inputs"]["adc_P"] == bmp280.NEVER_CONVERTED
    temp, pressure = bmp280.compensate(bmp280.NEVER_CONVERTED, bmp280.NEVER_CONVERTED, EXAMPLE)
    assert temp / 100 == pytest.approx(entry["expected"]["T_C"], abs=0.01)
    assert pressure / 256 == pytest.approx(entry["expected"]["p_Pa"], abs=0.1)


def test_bmp280_below_300_hpa_gives_what_the_formula_gives_and_clamps_nothing():
    entry = check_value("bmp280.below_range")
    words, expected = entry["inputs"], entry["expected"]
    temp, pressure = bmp280.compensate(words["adc_P"], words["adc_T"], calibration(entry))
    assert pressure / 256 == pytest.approx(expected["formula_p_Pa"], abs=0.1)
    assert pressure / 256 < expected["vendor_driver_p_Pa"]
    assert temp / 100 == pytest.approx(expected["formula_T_C"], abs=0.01)


def test_bme280_humidity_matches_the_maker_s_integer_code():
    entry = check_value("bme280.humidity.example")
    given_ = entry["inputs"]
    cal = [given_[f"dig_H{n}"] for n in range(1, 7)]
    value = bmp280.humidity_q10(given_["adc_H"], given_["t_fine"], cal) / bmp280.HUMIDITY_COUNTS_PER_PERCENT
    assert near(value, entry, "RH_double_percent") and near(value, entry, "RH_int_percent")


real_calibrations = st.tuples(
    st.integers(26000, 29000), st.integers(25000, 28000), st.integers(-2000, 100), st.integers(34000, 40000),
    st.integers(-12000, -9000), st.integers(2500, 3600), st.integers(-5000, 9000), st.integers(-300, 300),
    st.integers(-10, 0), st.integers(8000, 16000), st.integers(-16000, -8000), st.integers(3000, 6500),
)  # fmt: skip
word20 = st.integers(0, 2**20 - 1)


def as_the_data_sheet_prints_it(adc_p, adc_t, cal):
    """The 64-bit code of 3.11.3 line by line, without the rearrangements; Python's integers do not overflow."""
    t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9 = cal
    var1 = (((adc_t >> 3) - (t1 << 1)) * t2) >> 11
    var2 = (((((adc_t >> 4) - t1) * ((adc_t >> 4) - t1)) >> 12) * t3) >> 14
    t_fine = var1 + var2
    var1 = t_fine - 128000
    var2 = var1 * var1 * p6
    var2 = var2 + ((var1 * p5) << 17)
    var2 = var2 + (p4 << 35)
    var1 = ((var1 * var1 * p3) >> 8) + ((var1 * p2) << 12)
    var1 = (((1 << 47) + var1) * p1) >> 33
    if var1 == 0:
        return (t_fine * 5 + 128) >> 8, 0
    p = 1048576 - adc_p
    p = (((p << 31) - var2) * 3125) // var1
    var1 = (p9 * (p >> 13) * (p >> 13)) >> 25
    var2 = (p8 * p) >> 19
    return (t_fine * 5 + 128) >> 8, ((p + var1 + var2) >> 8) + (p7 << 4)


@given(real_calibrations, st.lists(st.tuples(word20, word20), min_size=1, max_size=20))
def test_bmp280_rearranged_steps_change_no_bit_and_arrays_agree_with_single_numbers(cal, words):
    expected = [as_the_data_sheet_prints_it(*pair, cal) for pair in words]
    assert [bmp280.compensate(*pair, cal) for pair in words] == expected
    temps, pressures = bmp280.compensate(*np.array(words, dtype=np.int64).T, cal)
    assert list(zip(temps.tolist(), pressures.tolist(), strict=True)) == expected


def humidity_as_the_data_sheet_prints_it(adc_h, t_fine, cal):
    """The 32-bit code of the BME280's 4.2.3 line by line, without its clamp at the end."""
    h1, h2, h3, h4, h5, h6 = cal
    v = t_fine - 76800
    v = (((adc_h << 14) - (h4 << 20) - (h5 * v)) + 16384 >> 15) * (
        ((((((v * h6) >> 10) * (((v * h3) >> 11) + 32768)) >> 10) + 2097152) * h2 + 8192) >> 14
    )
    v = v - (((((v >> 15) * (v >> 15)) >> 7) * h1) >> 4)
    return v >> 12


@given(
    st.tuples(st.integers(0, 255), st.integers(200, 600), st.integers(0, 255), st.integers(-2048, 2047),
              st.integers(-2048, 2047), st.integers(-128, 127)),
    st.integers(0, 0xFFFF), st.integers(-250000, 500000),
)  # fmt: skip
def test_bme280_humidity_is_the_data_sheet_s_code_to_the_last_bit(cal, adc_h, t_fine):
    assert bmp280.humidity_q10(adc_h, t_fine, cal) == humidity_as_the_data_sheet_prints_it(adc_h, t_fine, cal)


@given(st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(-250000, 500000)), min_size=1, max_size=20))
def test_bme280_humidity_of_arrays_and_single_numbers_agrees_to_the_last_bit(words):
    cal = [75, 362, 0, 313, 50, 30]
    values = bmp280.humidity_q10(*np.array(words, dtype=np.int64).T, cal)
    assert values.tolist() == [bmp280.humidity_q10(*pair, cal) for pair in words]


def test_bmp280_divisor_of_zero_gives_zero_and_no_error():
    cal = list(EXAMPLE)
    cal[3] = 0
    assert bmp280.compensate(415148, 519888, cal)[1] == 0
    assert bmp280.compensate(np.array([415148]), np.array([519888]), cal)[1].tolist() == [0]


@pytest.mark.parametrize("stuck", [0, -1])
def test_bmp280_calibration_from_a_stuck_bus_is_refused(stuck):
    assert bmp280.calibration_holds(EXAMPLE)
    words = struct.unpack("<HhhHhhhhhhhh", struct.pack("<12h", *[stuck] * 12))
    assert not bmp280.calibration_holds(words)


@pytest.mark.parametrize("name", ["tmp117.table", "tmp117.extra"])
def test_tmp117_matches_the_data_sheet_s_table(name):
    entry = check_value(name)
    raw = np.array([int(code, 16) for code in entry["inputs"]["code"]], dtype=np.uint16).astype(np.int16)
    assert tmp117.temperature_c(raw).tolist() == entry["expected"]["T_C"]
    assert [tmp117.temperature_c(word) for word in raw.tolist()] == entry["expected"]["T_C"]


def test_tmp117_power_on_value_is_the_coldest_code():
    said = check_value("tmp117.range")["expected"]["power_on_code"]
    assert said.startswith(f"0x{tmp117.NEVER_CONVERTED & 0xFFFF:04X} ")
    assert tmp117.temperature_c(tmp117.NEVER_CONVERTED) == -256.0


def test_ina226_matches_the_data_sheet_s_example():
    entry = check_value("ina226.example")
    given_, expected = entry["inputs"], entry["expected"]
    shunt, bus = int(given_["reg01_shunt"], 16), int(given_["reg02_bus"], 16)
    assert ina226.calibration(given_["Current_LSB_A"], given_["R_shunt_ohm"]) == expected["calibration"]
    assert ina226.shunt_v(shunt) == pytest.approx(expected["shunt_V"], rel=1e-6)
    assert ina226.bus_v(bus) == pytest.approx(expected["bus_V"], rel=1e-6)
    assert ina226.current_ma(shunt, given_["R_shunt_ohm"]) == pytest.approx(1000 * expected["current_A"], rel=1e-6)


def test_ina226_steps_and_full_scale_are_those_of_the_data_sheet():
    expected = check_value("ina226.lsb")["expected"]
    assert ina226.shunt_v(1) * 1e6 == pytest.approx(expected["shunt_LSB_uV"])
    assert ina226.bus_v(1) * 1e3 == pytest.approx(expected["bus_LSB_mV"])
    assert ina226.shunt_v(ina226.SHUNT_RAW_MAX + 1) * 1e3 == pytest.approx(expected["shunt_range_mV"])
    assert ina226.shunt_v(np.array([-32768, 32767]))[0] * 1e3 == pytest.approx(-expected["shunt_range_mV"])


def every_number():
    """(expression, value, tolerance) for each check value of these chips that a conversion can give."""
    for name in ("bmp280.example.double", "bmp280.example.int64", "bmp280.example.int32"):
        words, expected = check_value(name)["inputs"], check_value(name)["expected"]
        call = f"bmp280.compensate({words['adc_P']}, {words['adc_T']}, cal)"
        yield f"{call}[1] / 256", expected["p_Pa"], 3 if name.endswith("int32") else 0.05
        yield f"{call}[0]", 2508, 0
        yield f"bmp280.fine_temperature({words['adc_T']}, cal)", int(expected["t_fine"]), 0
    entry = check_value("bmp280.rounding.shift_vs_divide")
    yield f"bmp280.fine_temperature({entry['inputs']['adc_T']}, cal)", entry["expected"]["shift"]["t_fine"], 0
    for name, kelvin, pascal in (("bmp280.trap.0x80000", "T_C", "p_Pa"),
                                 ("bmp280.below_range", "formula_T_C", "formula_p_Pa")):  # fmt: skip
        words, expected = check_value(name)["inputs"], check_value(name)["expected"]
        call = f"bmp280.compensate({words['adc_P']}, {words['adc_T']}, cal)"
        yield f"{call}[0] / 100", expected[kelvin], 0.01
        yield f"{call}[1] / 256", expected[pascal], 0.1
    entry = check_value("bme280.humidity.example")
    words = entry["inputs"]
    wet = [words[f"dig_H{n}"] for n in range(1, 7)]
    call = f"bmp280.humidity_q10({words['adc_H']}, {words['t_fine']}, {wet}) / 1024"
    yield call, entry["expected"]["RH_int_percent"], 0.01
    yield call, entry["expected"]["RH_double_percent"], 0.01
    for name in ("tmp117.table", "tmp117.extra"):
        entry = check_value(name)
        for code, celsius in zip(entry["inputs"]["code"], entry["expected"]["T_C"], strict=True):
            raw = int(code, 16)
            yield f"tmp117.temperature_c({raw - 0x10000 if raw & 0x8000 else raw})", celsius, 0
    words, expected = check_value("ina226.example")["inputs"], check_value("ina226.example")["expected"]
    yield f"ina226.bus_v({int(words['reg02_bus'], 16)})", expected["bus_V"], 1e-9
    yield f"ina226.shunt_v({int(words['reg01_shunt'], 16)})", expected["shunt_V"], 1e-9
    yield f"ina226.current_ma({int(words['reg01_shunt'], 16)}, 0.002) / 1000", expected["current_A"], 1e-6
    yield f"ina226.calibration({words['Current_LSB_A']}, {words['R_shunt_ohm']})", expected["calibration"], 0
    expected = check_value("ina226.lsb")["expected"]
    yield "ina226.shunt_v(1) * 1e6", expected["shunt_LSB_uV"], 1e-9
    yield "ina226.bus_v(1) * 1e3", expected["bus_LSB_mV"], 1e-9


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_every_check_value_of_these_chips_holds_on_both_pythons(interpreter):
    wanted = list(every_number())
    assert len(wanted) >= 35
    code = f"import json\nfrom shared_protocol.conversions import bmp280, ina226, tmp117\ncal = {EXAMPLE!r}\n"
    said = json.loads(run(code + f"print(json.dumps([{', '.join(one[0] for one in wanted)}]))", interpreter))
    for value, (expression, expected, tolerance) in zip(said, wanted, strict=True):
        assert value == pytest.approx(expected, abs=tolerance, rel=0), expression


EXTREMES = f"""
import json
from shared_protocol.conversions import bmp280
words = (0, 1, 330000, 524288, 1048575)
out = [bmp280.compensate(p, t, {EXAMPLE!r}) for p in words for t in words]
print(json.dumps(out + [bmp280.compensate(415148, 519888, [0] * 12)]))
"""


def test_both_pythons_convert_extreme_words_alike():
    said = [json.loads(run(EXTREMES, interpreter)) for interpreter in INTERPRETERS]
    assert len(said[0]) == 26 and all(other == said[0] for other in said)


def test_bmp280_on_the_board_allocates_nothing():
    """At -40 to 85 degC and all raw pressures; small integers of a 64-bit MicroPython end at 2**62."""
    if "micropython" not in INTERPRETERS:
        pytest.skip("needs MicroPython")
    out = run(
        f"""
from micropython import heap_lock, heap_unlock
from shared_protocol.conversions import bmp280
cal = {EXAMPLE!r}
def go():
    total = 0
    for adc_t in range(310000, 720000, 41000):
        t_fine = bmp280.fine_temperature(adc_t, cal)
        for adc_p in range(0, 1048576, 65535):
            total ^= bmp280.pressure_q8(adc_p, t_fine, cal)
    return total
total = go()
heap_lock()
total = go()
heap_unlock()
print(total)
""",
        "micropython",
    )
    assert int(out) != 0

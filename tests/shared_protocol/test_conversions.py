"""Raw words into physics, against the data sheets' worked examples (sources in data/check_values.json)."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_protocol.conversions import ds18b20, ina219, ms5611
from tests.check_values import check_value
from tests.interpreters import INTERPRETERS, run

MS5611_CASES = (
    "ms5611.example",
    "ms5611.second_order.cool",
    "ms5611.second_order.cold",
    "ms5611.second_order.stratosphere",
    "ms5611.negative_pressure",
)


def ms5611_case(name):
    """`(d1, d2, prom, temperature, pressure)` of a check value."""
    entry = check_value(name)
    given_, expected = entry["inputs"], entry["expected"]
    prom = [0, *(given_[f"C{n}"] for n in range(1, 7)), 0]
    return given_["D1"], given_["D2"], prom, expected["TEMP"], expected["P"]


@pytest.mark.parametrize("name", MS5611_CASES)
def test_ms5611_matches_the_worked_example(name):
    d1, d2, prom, temp, pressure = ms5611_case(name)
    assert ms5611.compensate(d1, d2, prom) == (temp, pressure)


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_ms5611_matches_the_worked_examples_on_both_pythons(interpreter):
    cases = [ms5611_case(name) for name in MS5611_CASES]
    code = (
        "from shared_protocol.conversions import ms5611\n"
        f"for d1, d2, prom, temp, pressure in {cases!r}:\n"
        "    assert ms5611.compensate(d1, d2, prom) == (temp, pressure), (d1, d2)\n"
        "print('same')\n"
    )
    assert run(code, interpreter).strip() == "same"


@given(st.lists(st.tuples(st.integers(0, 2**24 - 1), st.integers(0, 2**24 - 1)), min_size=1, max_size=30))
def test_ms5611_arrays_and_single_numbers_agree_to_the_last_bit(words):
    prom = ms5611_case("ms5611.example")[2]
    temps, pressures = ms5611.compensate(*np.array(words, dtype=np.int64).T, prom)
    one_by_one = [ms5611.compensate(*pair, prom) for pair in words]
    assert list(zip(temps.tolist(), pressures.tolist(), strict=True)) == one_by_one


def test_ms5611_without_the_second_order_would_be_a_tenth_too_high_at_altitude():
    d1, d2, prom, _temp, pressure = ms5611_case("ms5611.second_order.stratosphere")
    left_out = check_value("ms5611.second_order.stratosphere")["expected"]["P_if_second_order_is_left_out"]
    assert ms5611.compensate(d1, d2, prom)[1] == pressure != left_out


def test_ms5611_prom_crc_is_that_of_the_application_note():
    entry = check_value("ms5611.crc4")
    words = [int(word, 16) for word in entry["inputs"]["prom_words"]]
    assert ms5611.prom_crc4(words) == int(entry["expected"]["crc4"], 16)
    words[7] = int(entry["expected"]["stored_word7"], 16)  # the stored CRC itself does not count
    assert ms5611.prom_crc4(words) == words[7] & 0xF


def test_ms5611_prom_crc_sees_every_single_bit_flip():
    words = [int(word, 16) for word in check_value("ms5611.crc4")["inputs"]["prom_words"]]
    good = ms5611.prom_crc4(words)
    for bit in range(16 * 7 + 8):
        flipped = list(words)
        flipped[bit // 16] ^= 1 << (15 - bit % 16)
        assert ms5611.prom_crc4(flipped) != good


def test_ds18b20_matches_the_data_sheet_s_table():
    entry = check_value("ds18b20.table")
    raw = np.array([int(code, 16) for code in entry["inputs"]["code"]], dtype=np.uint16).astype(np.int16)
    assert ds18b20.temperature_c(raw).tolist() == entry["expected"]["T_C"]
    assert [ds18b20.temperature_c(int(word)) for word in raw] == entry["expected"]["T_C"]
    assert ds18b20.temperature_c(ds18b20.POWER_ON_RAW) == check_value("ds18b20.power_on")["expected"]["T_C"]


@pytest.mark.parametrize(
    ("name", "data_key"), [("onewire.crc8.rom", "bytes_in_bus_order"), ("onewire.crc8.scratchpad", "bytes"),
                           ("onewire.crc8.rom.made_up", "bytes")])
def test_1_wire_crc_matches_the_published_examples(name, data_key):
    entry = check_value(name)
    data = bytes.fromhex(entry["inputs"][data_key].replace(" ", ""))
    crc = int(entry["expected"]["crc"], 16)
    assert ds18b20.crc8(data) == crc
    assert ds18b20.crc8(data + bytes([crc])) == 0
    assert ds18b20.crc8(b"123456789") == int(check_value("crc.CRC-8/MAXIM-DOW")["expected"]["crc"], 16)


def test_ina219_matches_the_data_sheet_s_example():
    entry = check_value("ina219.example")
    given_, expected = entry["inputs"], entry["expected"]
    bus, shunt = int(given_["reg02_bus"], 16), int(given_["reg01_shunt"], 16)
    assert ina219.calibration(given_["Current_LSB_A"], given_["R_shunt_ohm"]) == expected["calibration"]
    assert ina219.bus_v(bus) == pytest.approx(expected["bus_V"], rel=1e-6)
    assert ina219.shunt_v(shunt) == pytest.approx(expected["shunt_V"], rel=1e-6)
    assert ina219.current_ma(shunt, given_["R_shunt_ohm"]) == pytest.approx(1000 * expected["current_A"], rel=1e-6)
    assert ina219.calibration(20e-6, 0.1) == check_value("ina219.example.panel")["expected"]["calibration"]


def test_ina219_reads_negative_shunt_codes_as_the_data_sheet_does():
    entry = check_value("ina219.shunt_codes")
    raw = np.array([int(code, 16) for code in entry["inputs"]["code"]], dtype=np.uint16).astype(np.int16)
    assert ina219.shunt_v(raw) * 1000 == pytest.approx(entry["expected"]["mV"])


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_scalar_conversions_agree_on_both_pythons(interpreter):
    code = (
        "import json\nfrom shared_protocol.conversions import ds18b20, ina219\n"
        "crc = ds18b20.crc8(b'123456789')\n"
        "print(json.dumps([crc, ds18b20.temperature_c(-880), ina219.calibration(0.001, 0.002)]))\n"
    )
    assert json.loads(run(code, interpreter)) == [0xA1, -55.0, 20480]

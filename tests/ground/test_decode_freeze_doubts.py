"""What a frozen chip had said before the board knew it is flagged too, from where the box had moved."""

import numpy as np
import pytest

from ground.decode.readings.freeze_doubts import flag_back
from ground.decode.table import Table, Words
from shared_protocol.records import FLAG_FROZEN, FLAG_STALE

N = 1200
T_MS = np.arange(N) * 1000  # one reading a second


def table(name, who, **columns):
    common = {"boot": np.ones(N, np.int64), "t_ms": T_MS, who: Words(np.zeros(N, np.int32), ["a"])}
    return Table(name, common | columns | {"flags": Words(np.zeros(N, np.int32), [""])}, {})


def flight(frozen_from, told_from, table_name="temperature", rest_s=0):
    """Tables and flags of a box that rests, then rises by 5 m/s, with a part that says one word from a row on."""
    height = np.maximum(T_MS / 1000 - rest_s, 0) * 5.0
    words = np.where(np.arange(N) < frozen_from, np.arange(N), frozen_from)
    tables = {
        "pressure": table(
            "pressure",
            "sensor",
            pressure_hpa=1013.25 * (1 - height / 44330.8) ** 5.25588,
            d1=np.arange(N),
            d2=-np.arange(N),
        ),
        "temperature": table("temperature", "probe", raw=np.arange(N)),
        "power": table("power", "channel", bus_raw=np.arange(N), shunt_raw=np.arange(N) % 7),
    }
    for word in {"temperature": ("raw",), "power": ("bus_raw", "shunt_raw"), "pressure": ("d1",)}[table_name]:
        tables[table_name].columns[word] = words
    bits = {name: np.zeros(N, dtype=np.int64) for name in tables}
    bits[table_name][told_from:] = FLAG_FROZEN
    return tables, bits


def flagged(bits):
    return np.flatnonzero(bits & FLAG_FROZEN)[0]


@pytest.mark.parametrize("name", ["temperature", "power"])
def test_a_chip_that_froze_in_the_air_is_flagged_from_100_metres_on(name):
    tables, bits = flight(300, 480, name)
    flag_back(tables, bits)
    assert flagged(bits[name]) == 320  # 20 s at 5 m/s
    assert tables[name]["flags"].to_list()[319:321] == ["", "frozen"]
    assert not any(bits[other].any() for other in bits if other != name)


def test_equal_words_at_rest_are_left_alone_up_to_the_launch():
    tables, bits = flight(100, 900, rest_s=700)
    flag_back(tables, bits)
    assert flagged(bits["temperature"]) == 720


def test_a_barometer_is_flagged_from_its_second_equal_word_on():
    tables, bits = flight(300, 330, "pressure")
    flag_back(tables, bits)
    assert flagged(bits["pressure"]) == 301


def test_without_a_height_all_but_the_first_reading_is_flagged():
    tables, bits = flight(300, 480)
    tables["pressure"].columns["pressure_hpa"] = np.full(N, np.nan)
    flag_back(tables, bits)
    assert flagged(bits["temperature"]) == 301


def test_what_the_board_did_not_call_frozen_is_not_doubted_and_other_flags_stay():
    tables, bits = flight(300, N)
    bits["temperature"][310] = FLAG_STALE
    before = {name: own.copy() for name, own in bits.items()}
    flag_back(tables, bits)
    assert all((bits[name] == before[name]).all() for name in bits)
    tables, bits = flight(300, 480)
    bits["temperature"][350] = FLAG_STALE
    flag_back(tables, bits)
    assert bits["temperature"][350] == FLAG_STALE | FLAG_FROZEN


def test_a_few_equal_words_before_the_board_speaks_are_no_run():
    tables, bits = flight(N - 10, N - 1)
    flag_back(tables, bits)
    assert flagged(bits["temperature"]) == N - 1

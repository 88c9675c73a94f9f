"""Settings on the board: whatever is wrong in the file costs its own key only."""

import json
import zlib

import pytest

from firmware.core.settings import CHOICES, NUMBERS, ROMS, Settings, load
from tests.interpreters import INTERPRETERS, run

DEFAULTS = {key: entry[0] for key, entry in NUMBERS.items()}
DEFAULTS |= {key: choices[0] for key, choices in CHOICES.items()} | dict.fromkeys(ROMS, "") | {"contact": ""}


def made_from(values):
    return Settings(json.dumps(values).encode())


def test_a_complete_file_is_taken_as_it_is():
    values = DEFAULTS | {"contact": "Ring the bell", "i2c_sda": 12, "probe_inside_rom": "28FF641E0F16031C"}
    settings = made_from(values)
    assert settings.values == values
    assert settings.replaced == []


def test_the_crc_is_that_of_the_file():
    data = json.dumps(DEFAULTS).encode()
    assert Settings(data).crc == zlib.crc32(data)
    assert Settings().crc == 0


@pytest.mark.parametrize("data", [b"", b"{", b"[1, 2]", b"null", b"7", b"\xff\xfe\x00", b'{"led_pin": ', b"\0" * 300])
def test_a_file_that_is_no_object_gives_all_defaults(data):
    settings = Settings(data)
    assert settings.values == DEFAULTS
    assert len(settings.replaced) == len(DEFAULTS)


@pytest.mark.parametrize("key", sorted(DEFAULTS))
@pytest.mark.parametrize("value", [None, True, 1.5, -1, 2**40, [], {}, "28FF", "zz" * 8, "x" * 401])
def test_a_wrong_value_costs_its_own_key_only(key, value):
    if key == "contact" and isinstance(value, str) and len(value) < 400:
        pytest.skip("a good text")
    settings = made_from(DEFAULTS | {"contact": "still here", "led_pin": 3} | {key: value})
    assert settings.replaced == [key]
    assert settings[key] == DEFAULTS[key]
    assert key == "contact" or settings["contact"] == "still here"
    assert key == "led_pin" or settings["led_pin"] == 3


@pytest.mark.parametrize("key", sorted(NUMBERS))
def test_the_ends_of_each_range_are_inside(key):
    _default, low, high = NUMBERS[key]
    for value, good in ((low, True), (high, True), (low - 1, False), (high + 1, False)):
        assert (made_from(DEFAULTS | {key: value}).replaced == []) is good


def test_a_missing_key_is_reported_and_an_unknown_one_is_not():
    values = DEFAULTS | {"beacon_hz": 434000000}
    del values["gnss_baud"]
    assert made_from(values).replaced == ["gnss_baud"]


def test_a_missing_file_gives_all_defaults(tmp_path):
    settings = load(str(tmp_path / "settings.json"))
    assert settings.values == DEFAULTS
    assert settings.crc == 0


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_both_pythons_read_good_and_broken_files_alike(interpreter):
    run(
        f"""
from firmware.core.settings import Settings
good = {json.dumps(DEFAULTS).encode()!r}
assert Settings(good).replaced == []
assert len(Settings(good[:-1]).replaced) == {len(DEFAULTS)}
assert len(Settings(bytes(range(256))).replaced) == {len(DEFAULTS)}
assert Settings(good.replace(b'"led_pin": 25', b'"led_pin": true')).replaced == ["led_pin"]
""",
        interpreter,
    )

"""The settings file: what people start from, what is refused and how, and what the board makes of the JSON."""

import json
import re
import tomllib

import pytest
from pydantic import ValidationError

from firmware.core import settings as on_board
from ground.errors import InputError
from ground.settings import Settings, board_json, changed_from_default, default_text, load_settings
from tests.interpreters import INTERPRETERS, run

GOOD_ROM = "28ff4b2a000000ba"  # its CRC checked below, bit by bit


def with_crc(seven_bytes):
    """A ROM code with the CRC-8 that the 1-wire search checks (Maxim, application note 27), one bit at a time."""
    crc = 0
    for byte in bytes.fromhex(seven_bytes):
        for bit in range(8):
            mix = (crc ^ (byte >> bit)) & 1
            crc = (crc >> 1) ^ (0x8C if mix else 0)
    return seven_bytes + f"{crc:02x}"


def refusal(tmp_path, text):
    """The line with which a settings file is refused, without its path."""
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_settings(path)
    message = str(caught.value)
    assert "\n" not in message and message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


def accepted(tmp_path, text):
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


# The commented file ----------------------------------------------------------------------------------------------


def test_commented_file_holds_every_key_once_at_its_default():
    assert tomllib.loads(default_text()) == Settings().model_dump()


def test_commented_file_states_the_range_of_every_number_in_the_lines_above_it():
    above, problems = [], []
    bounds = {
        key: tuple(next(getattr(m, name) for m in field.metadata if hasattr(m, name)) for name in ("ge", "le"))
        for key, field in Settings.model_fields.items()
        if field.annotation is int and field.metadata
    }
    assert len(bounds) > 20
    previous_was_key = False
    for line in default_text().splitlines():
        if line.startswith("#"):
            above = [line] if previous_was_key else [*above, line]
            previous_was_key = False
        elif "=" in line:
            previous_was_key = True
            key = line.split(" = ")[0]
            comment = " ".join(above)
            for bound in bounds.get(key, ()):
                if not re.search(rf"\b({bound}|0x{bound:X})\b", comment):
                    problems.append(f"{key}: {bound} is not said")
    assert not problems


# What the board makes of it --------------------------------------------------------------------------------------


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_board_takes_every_key_of_the_default_json(interpreter, tmp_path):
    path = tmp_path / "settings.json"
    path.write_text(board_json(Settings()), encoding="utf-8")
    said = run(
        f"from firmware.core.settings import load\ns = load({str(path)!r})\nprint(s.replaced)\n"
        "import json\nprint(json.dumps(s.values))",
        interpreter,
    )
    replaced, values = said.strip().split("\n")
    assert replaced == "[]"
    assert json.loads(values) == Settings().model_dump()


def test_board_falls_back_to_the_very_defaults_that_the_ground_shows():
    assert on_board.Settings(b"").values == Settings().model_dump()


@pytest.mark.parametrize("key", list(Settings.model_fields))
def test_board_accepts_whatever_the_ground_accepts(key):
    """Both ends of each range, each choice: the board must not replace a value that was checked on the ground."""
    field = Settings.model_fields[key]
    if field.annotation is int:
        values = [next(getattr(m, name) for m in field.metadata if hasattr(m, name)) for name in ("ge", "le")]
    elif key.endswith("_rom"):
        values = ["", GOOD_ROM]
    elif key == "contact":
        values = ["", "x" * 400, "two\nlines"]
    else:
        values = list(field.annotation.__args__)
    for value in values:
        chosen = Settings().model_dump() | {key: value}
        assert on_board.Settings(json.dumps(chosen).encode()).replaced == [], value


def test_both_ends_know_the_same_keys():
    assert set(on_board.Settings(b"").values) == set(Settings.model_fields)


# Refusals --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("log_size_mb = 64", "log_size_mb is not a known key; did you mean log_size_mib?"),
        ("log_size_mib = 0", "log_size_mib = 0 must be a whole number from 1 to 2047 (MiB)"),
        ('gnss_baud = "9600"', 'gnss_baud = "9600" must be a whole number from 4800 to 921600 (bit/s)'),
        ("led_pin = true", "led_pin = true must be a whole number from 0 to 63 (number of a pin)"),
        ("panel_period_ms = 200.0", "panel_period_ms = 200.0 must be a whole number from 50 to 60000 (ms)"),
        ("airborne_model = 2", "airborne_model = 2 must be one of: 6, 7, 8"),
        ('pressure_chip = "other"', 'pressure_chip = "other" must be one of: ms5611, bmp280, bme280, auto'),
        ("panel_address = 0x77", "panel_address = 0x77 must be from 0x40 to 0x4F (an address)"),
        (
            'probe_inside_chip = "tmp117"\nprobe_inside_address = 0x4A\npanel_address = 0x4A',
            "probe_inside_address = 0x4A is the address of panel_address too; wire one differently",
        ),
        ("sounder_pin = 22", "sounder_pin = 22 is the pin of onewire_pin too; give each its own"),
        (
            'probe_inside_rom = "28FF"',
            'probe_inside_rom = "28FF" must be 16 hexadecimal digits, or "" for whichever probe is found',
        ),
    ],
)
def test_refusal_names_key_value_and_what_is_allowed(tmp_path, text, line):
    assert refusal(tmp_path, text) == line


def test_contact_with_a_letter_that_the_log_cannot_hold_is_refused(tmp_path):
    assert "plain ASCII" in refusal(tmp_path, 'contact = "Zo\u00eb"')


def test_contact_of_several_lines_is_kept(tmp_path):
    assert accepted(tmp_path, 'contact = """one\ntwo"""').contact == "one\ntwo"


def test_contact_too_long_for_the_board_is_refused(tmp_path):
    assert "400 characters" in refusal(tmp_path, f'contact = "{"x" * 401}"')


def test_rom_code_with_its_right_check_is_taken_in_either_case(tmp_path):
    rom = with_crc("28ff4b2a000000")
    assert rom == GOOD_ROM
    assert accepted(tmp_path, f'probe_outside_rom = "{rom.upper()}"').probe_outside_rom == rom


@pytest.mark.parametrize("position", range(14))
def test_rom_code_with_one_wrong_digit_is_refused(tmp_path, position):
    digit = "0" if GOOD_ROM[position] != "0" else "1"
    wrong = GOOD_ROM[:position] + digit + GOOD_ROM[position + 1 :]
    assert "probe_outside_rom" in refusal(tmp_path, f'probe_outside_rom = "{wrong}"')


def test_rom_code_of_another_kind_of_part_is_refused(tmp_path):
    assert "first two digits must be 28" in refusal(tmp_path, f'probe_outside_rom = "{with_crc("10ff4b2a000000")}"')


def test_one_probe_cannot_be_both_outside_and_inside(tmp_path):
    text = f'probe_outside_rom = "{GOOD_ROM}"\nprobe_inside_rom = "{GOOD_ROM}"'
    assert "is the outside probe too" in refusal(tmp_path, text)


@pytest.mark.parametrize("content", [b"a = ", b"\xff\xd8\xff\xe0 not a text", b"\x00\x01"])
def test_file_that_is_no_settings_file_is_refused_in_one_line(tmp_path, content):
    path = tmp_path / "settings.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        load_settings(path)
    assert str(caught.value).startswith(f"{path}: is not") and "\n" not in str(caught.value)


def test_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"nothere\.toml: cannot be read"):
        load_settings(tmp_path / "nothere.toml")


def test_file_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "settings.toml"
    path.write_bytes(b"\xef\xbb\xbfled_pin = 2\n")
    assert load_settings(path).led_pin == 2


def test_settings_cannot_be_changed_after_the_check():
    with pytest.raises(ValidationError):
        Settings().led_pin = 99


def test_what_differs_from_the_default_is_listed():
    changed = changed_from_default(Settings(led_pin=2, contact="me"))
    assert changed == ['contact = "me" (default "")', "led_pin = 2 (default 25)"]

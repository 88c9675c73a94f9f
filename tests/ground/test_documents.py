"""A TOML file that is none is refused with what people mostly mean to write."""

import pytest

from ground.documents import read_toml
from ground.errors import InputError


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("a = 1\nshunt_ohm = 0,5\n", "; write a decimal point, not a comma"),
        ("contact = ring me\n", "; text stands in quotes"),
        ("a = tru\n", "; text stands in quotes"),
        ("a = [1, 2\n", ""),
        ("a b = 3\n", ""),
        ("a = 1 2\n", ""),
        ("mass_kg = 0.95 kg\n", "; a number stands alone; its unit is in the name of the key"),
        ("speed_mps = 5m/s\n", "; a number stands alone; its unit is in the name of the key"),
        ("latitude_deg = 48.3N\n", "; a number stands alone; its unit is in the name of the key"),
        ("latitude_deg = 48\u00b018'45\"\n", "; a number is written with digits and a decimal point alone"),
        ("mass_kg = .95\n", "; a number begins with a digit: 0.5"),
        ("led_pin = 05\n", "; a number does not begin with a 0"),
        ("utc = 2026-9-19T4:20:00Z\n", "; a moment is written 2026-09-19T04:30:00Z"),
        ("utc = 19.09.2026 04:20\n", "; a moment is written 2026-09-19T04:30:00Z"),
        ("utc = 2026-02-30T04:20:00Z\n", "; a moment is written 2026-09-19T04:30:00Z"),
        ("contact = \u201cring me\u201d\n", '; text stands in plain quotes, "like this"'),
        ('sounding = "C:\\Users\\us\\air.csv"\n', "; in a path, write / in place of \\"),
        ("address = 0x4G\n", ""),
        ("mass_kg =\n", "; a value is missing after the ="),
        ("mass_kg =   # later\n", "; a value is missing after the ="),
        ("a = 1\na = 2\n", "; it is there twice: keep one"),
        ("[a]\nb = 1\n[a]\nc = 1\n", "; it is there twice: keep one"),
        ('{"a": 1}', "; it is JSON, and settings are TOML: give a settings file"),
        ("[1, 2]", "; it is JSON, and settings are TOML: give a settings file"),
    ],
)
def test_what_is_often_written_wrongly_is_named(tmp_path, text, hint):
    (tmp_path / "x.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "x.toml", "settings are TOML", "give a settings file")
    said = str(caught.value)
    assert "is not valid TOML" in said
    assert said.endswith(hint) if hint else ";" not in said

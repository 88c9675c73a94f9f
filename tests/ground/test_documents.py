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
    ],
)
def test_what_is_often_written_wrongly_is_named(tmp_path, text, hint):
    (tmp_path / "x.toml").write_text(text)
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "x.toml", "settings are TOML", "give a settings file")
    said = str(caught.value)
    assert "is not valid TOML" in said
    assert said.endswith(hint) if hint else ";" not in said

"""The drawings: as their scripts draw them, with the default settings' pins, joined as the tables say, printable."""

import re
from importlib import import_module
from xml.etree import ElementTree

import pytest

from ground.settings import Settings
from tests.hardware_notes.pages import FOLDER, wiring_rows

pytest.importorskip("schemdraw", reason="the drawings' library is on the tests' side of the lock")
from hardware_notes.drawings.__main__ import NAMES, drawn
from hardware_notes.drawings.sheet import Sheet

DEFAULT = Settings().model_dump()
WIRED = [name for name in NAMES if name != "panel_loads"]
# What a page's pin is called on its drawing, and which part's it is.
SHEETS = {
    "barometer_ms5611.md": ("barometer", ["MS5611"]),
    "barometer_bmp280.md": ("barometer_bmp280", ["BMP280, BME280"]),
    "thermometer_ds18b20.md": ("thermometers", ["DS18B20 outside", "DS18B20 inside"]),
    "thermometer_tmp117.md": ("thermometer_tmp117", ["TMP117 outside", "TMP117 inside"]),
    "current_sensor.md": ("panel", ["INA219"]),
    "gnss.md": ("gnss", ["GNSS receiver"]),
    "card.md": ("card", ["SD card socket"]),
}


def committed(name):
    return (FOLDER / "drawings" / f"{name}.svg").read_text(encoding="utf-8")


def words_in(svg):
    """Every text of a drawing, by element."""
    return ["".join(e.itertext()).strip() for e in ElementTree.fromstring(svg).iter() if e.tag.endswith("}text")]


def numbers_and_rest(svg):
    pattern = r"-?\d+\.?\d*(?:e-?\d+)?"
    return [float(text) for text in re.findall(pattern, svg)], re.sub(pattern, "#", svg)


def nets(name):
    """Sets of joined names, with all grounds as one and all that is 3.3 V as one."""
    merged = {"GND": {"GND"}, "3.3 V": {"3.3 V"}}
    rest = []
    for net in import_module(f"hardware_notes.drawings.{name}").draw().nets():
        net = {"GND" if entry == "Board: GND" else "3.3 V" if entry == "Board: 3.3 V out" else entry for entry in net}
        home = next((key for key in merged if key in net), None)
        if home:
            merged[home] |= net
        else:
            rest.append(net)
    assert not merged["GND"] & merged["3.3 V"], "a short"
    return [*merged.values(), *rest]


def net_of(name, pin):
    found = [net for net in nets(name) if pin in net]
    assert len(found) == 1, f"{name}: {pin} is in {len(found)} nets"
    return found[0]


def test_every_drawing_has_its_script_and_every_script_its_drawing():
    folder = FOLDER / "drawings"
    assert {path.stem for path in folder.glob("*.svg")} == set(NAMES)
    helpers = {"__init__", "__main__", "sheet", "wired"}
    assert {path.stem for path in folder.glob("*.py")} - helpers == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_committed_drawing_is_what_its_script_draws(name):
    """Numbers may differ by how another computer measures text; all else is the same to the letter."""
    was, rest = numbers_and_rest(committed(name))
    now, rest_now = numbers_and_rest(drawn(name))
    assert rest == rest_now, "run python -m hardware_notes.drawings"
    slack = 0.02 if name in WIRED else 3.0
    assert now == pytest.approx(was, abs=slack), "run python -m hardware_notes.drawings"


@pytest.mark.parametrize("name", WIRED)
def test_pins_and_addresses_on_a_drawing_are_those_of_the_default_settings(name):
    words = words_in(committed(name))
    said = [match for text in words for match in re.findall(r"(GPIO \d+|0x\w\w) · (\w+)", text)]
    assert said or name == "signals"
    for number, key in said:
        value = int(number.removeprefix("GPIO "), 0)
        assert value == DEFAULT[key], f"{name}: {number} · {key}"
    assert not re.search(r"GPIO \d+(?! ·)", re.sub(r"GPIO \d+ · \w+", "", " ".join(words))), "a pin without its setting"


def test_every_pin_of_the_settings_is_on_the_sheet_of_the_whole_payload():
    keys = set(re.findall(r"GPIO \d+ · (\w+)", " ".join(words_in(committed("whole_payload")))))
    assert keys == {key for key in DEFAULT if re.search(r"_(sda|scl|pin|tx|rx|sck|mosi|miso|cs)$", key)}


@pytest.mark.parametrize("page", SHEETS)
def test_drawing_joins_what_the_wiring_table_joins(page):
    name, parts = SHEETS[page]
    compared = 0
    for row in wiring_rows(page):
        place = row.get("its pin").split(" (")[0]
        pins = [pin for part in parts for pin in place_pins(place, part)]
        for pin in pins:
            if not any(pin in net for net in nets(name)):
                continue
            net = net_of(name, pin)
            goes = row["goes to"]
            if number := re.match(r"GPIO (\d+)", goes):
                key = re.search(r"`(\w+)`", row["setting"])[1]
                assert f"Board: GPIO {number[1]} · {key}" in net, row
            elif goes.startswith(("3.3 V", "GND")):
                assert goes[:5].strip(",: ") in net or goes[:3] in net, row
            else:
                continue
            compared += 1
    assert compared >= 3 * len(parts)


def place_pins(place, part):
    """`A0, A1` are two pins; `ADD0, outside` is one of one part."""
    names = place.split(", ")
    if names[-1] in ("outside", "inside"):
        return [f"{part}: {names[0]}"] if part.endswith(names[-1]) else []
    return [f"{part}: {name}" for name in names]


@pytest.mark.parametrize("name", ["barometer", "thermometer_tmp117"])
def test_i2c_lines_have_one_pull_up_each_to_3v3(name):
    for key in ("i2c_sda", "i2c_scl"):
        assert "4.7 kΩ/2" in net_of(name, f"Board: GPIO {DEFAULT[key]} · {key}")
    assert "4.7 kΩ/1" in net_of(name, "3.3 V")


def test_one_wire_has_its_pull_up_and_the_probes_their_own_supply():
    line = net_of("thermometers", f"Board: GPIO {DEFAULT['onewire_pin']} · onewire_pin")
    assert line >= {"4.7 kΩ/2", "DS18B20 outside: DQ", "DS18B20 inside: DQ"}
    assert net_of("thermometers", "3.3 V") >= {"4.7 kΩ/1", "DS18B20 outside: VDD", "DS18B20 inside: VDD"}
    assert not {"DS18B20 outside: VDD", "DS18B20 inside: VDD"} & net_of("thermometers", "GND")


def test_shunt_is_on_the_plus_side_and_the_load_between_it_and_ground():
    for sheet in ("panel", "whole_payload"):
        assert net_of(sheet, "Panel: +") == {"Panel: +", "INA219: VIN+"}
        assert net_of(sheet, "load/1") == {"load/1", "INA219: VIN−"}
        assert net_of(sheet, "GND") >= {"Panel: −", "load/2", "INA219: GND"}
    assert f"{DEFAULT['panel_shunt_microohm'] / 1e6:g} Ω" in words_in(committed("panel"))


def test_battery_goes_through_fuse_switch_and_diode_and_its_divider_gives_the_full_scale():
    assert net_of("battery", "Cells: +") == {"Cells: +", "fuse 1 A/1"}
    assert net_of("battery", "fuse 1 A/2") == {"fuse 1 A/2", "switch/1"}
    assert net_of("battery", "switch/2") == {"switch/2", "Schottky, 1 A/1", "10 kΩ 1 %/1", "sounder's plus"}
    assert net_of("battery", "Board: supply in") == {"Board: supply in", "Schottky, 1 A/2", "100 µF/1"}
    middle = net_of("battery", f"Board: GPIO {DEFAULT['battery_pin']} · battery_pin")
    assert middle >= {"10 kΩ 1 %/1", "10 kΩ 1 %/2", "100 nF/1"}
    assert "10 kΩ 1 %/2" in net_of("battery", "GND")
    assert DEFAULT["battery_full_scale_mv"] == 3300 * (10 + 10) / 10  # two equal resistors on a reference of 3.3 V


def test_sounder_hangs_on_a_transistor_with_its_diode_the_right_way_round():
    pin = net_of("signals", f"Board: GPIO {DEFAULT['sounder_pin']} · sounder_pin")
    assert pin == {f"Board: GPIO {DEFAULT['sounder_pin']} · sounder_pin", "1 kΩ/1"}
    assert net_of("signals", "transistor: base") == {"transistor: base", "1 kΩ/2", "10 kΩ/1"}
    assert net_of("signals", "transistor: emitter") >= {"GND", "10 kΩ/2"}
    assert net_of("signals", "transistor: collector") >= {"active sounder: −", "1N4148/1"}  # anode
    assert net_of("signals", "active sounder: +") == {"active sounder: +", "1N4148/2", "switched battery"}


def test_card_has_a_pull_up_on_every_line_but_the_clock():
    for key in ("card_cs", "card_mosi", "card_miso"):
        assert "10 kΩ/2" in net_of("card", f"Board: GPIO {DEFAULT[key]} · {key}")
    for pin in ("DAT1", "DAT2"):
        assert net_of("card", f"SD card socket: {pin}") == {f"SD card socket: {pin}", "10 kΩ/2"}
    assert "10 kΩ/2" not in net_of("card", f"Board: GPIO {DEFAULT['card_sck']} · card_sck")


def test_wires_that_cross_without_a_dot_are_not_joined():
    sheet = Sheet("a cross", "")
    sheet.wire((0, 0), (4, 0))
    sheet.wire((2, -2), (2, 2))
    sheet.name("a", left=(0, 0), right=(4, 0), top=(2, 2))
    assert sorted(map(sorted, sheet.nets())) == [["a: left", "a: right"], ["a: top"]]
    sheet.dot((2, 0))
    assert sheet.nets() == [{"a: left", "a: right", "a: top"}]


@pytest.mark.parametrize("name", NAMES)
def test_a_drawing_fits_on_a4_with_text_that_can_be_read(name):
    """277 by 190 mm across: the smallest text is at least 7.5 points high, that of a newspaper's small print."""
    svg = committed(name)
    _, _, width, height = map(float, re.search(r'viewBox="([^"]+)"', svg)[1].split())
    printed = {key: float(re.search(rf' {key}="([0-9.]+)pt"', svg)[1]) for key in ("width", "height")}
    assert printed["width"] <= 277.1 / 25.4 * 72 and printed["height"] <= 190.1 / 25.4 * 72
    assert printed["width"] / width == pytest.approx(printed["height"] / height, rel=0.01)
    sizes = [float(size) for size in re.findall(r'font-size="(\d+\.?\d*)', svg)]
    assert sizes and min(sizes) * printed["width"] / width >= 7.5


@pytest.mark.parametrize("name", NAMES)
def test_a_drawing_has_paper_of_its_own_a_dark_form_and_words_for_those_who_cannot_see_it(name):
    svg = committed(name)
    root = ElementTree.fromstring(svg)
    assert [child.tag.split("}")[1] for child in root][:4] == ["title", "desc", "style", "rect"]
    assert root[0].text and root[1].text
    assert "@media screen and (prefers-color-scheme:dark)" in root[2].text
    swapped = set(re.findall(r'\[(?:stroke|fill)="(#\w{6})"\]', root[2].text))
    drawing = svg[svg.index("</style>") :]
    assert set(re.findall(r"#[0-9a-f]{6}", drawing)) <= swapped
    assert "black" not in drawing and "href=" not in drawing

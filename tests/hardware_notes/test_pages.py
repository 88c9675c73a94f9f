"""The pages: wiring tables say what the default settings say, links lead somewhere, tables are computed afresh, numbers
have sources."""

import re

import pytest
from pydantic import ValidationError

from ground.settings import Settings
from hardware_notes.tables import TABLES, filled
from tests.hardware_notes.pages import FOLDER, PAGES, anchors, links, tables, text_of, wiring_rows

DEFAULT = Settings().model_dump()
PINS = {
    key for key in DEFAULT if key.endswith(("_sda", "_scl", "_pin", "_tx", "_rx", "_sck", "_mosi", "_miso", "_cs"))
}  # fmt: skip
each_page = pytest.mark.parametrize("page", PAGES)


def setting_of(row):
    named = re.findall(r"`(\w+)`", row["setting"])
    assert len(named) == 1, f"a wired pin names one setting: {row}"
    return named[0]


@each_page
def test_wiring_tables_have_the_pins_and_addresses_of_the_default_settings(page):
    for row in wiring_rows(page):
        said = re.findall(r"GPIO (\d+)", row["goes to"])
        address = re.findall(r"address (0x\w\w)", row["goes to"])
        if said or address:
            key = setting_of(row)
            assert [int(number) for number in said] + [int(text, 16) for text in address] == [DEFAULT[key]], row
        else:
            assert row["setting"] == "", f"no number to compare with the setting: {row}"


def test_every_pin_of_the_settings_stands_on_the_page_of_the_board_and_on_that_of_its_part():
    assert len(PINS) == 12
    named = {page: {setting_of(row) for row in wiring_rows(page) if row["setting"]} for page in PAGES}
    assert named["board.md"] == PINS
    assert set().union(*(keys for page, keys in named.items() if page != "board.md")) >= PINS


def test_a_wrong_pin_in_a_table_would_be_seen():
    rows = wiring_rows("gnss.md")
    assert {setting_of(row): re.search(r"GPIO (\d+)", row["goes to"])[1] for row in rows if row["setting"]} == {
        "gnss_tx": "8",
        "gnss_rx": "9",
    }


@each_page
def test_settings_written_out_on_a_page_are_allowed_ones(page):
    for key, value in re.findall(r"`(\w+) = ([^`]+)`", text_of(page)):
        assert key in DEFAULT, f"{key} is no setting"
        try:
            Settings(**{key: value.strip('"') if value.startswith('"') else int(value, 0)})
        except ValidationError as error:
            raise AssertionError(f"{page}: {key} = {value} is refused: {error}") from None


@each_page
def test_settings_named_on_a_page_exist(page):
    prefixes = tuple(key.split("_")[0] + "_" for key in DEFAULT)
    of_the_plan = {"battery_v", "panel_shunt"}
    named = {word for word in re.findall(r"`([a-z0-9_]+)`", text_of(page)) if word.startswith(prefixes)}
    assert named - of_the_plan <= set(DEFAULT)


@each_page
def test_options_on_a_page_are_options_of_the_commands(page):
    from typer.main import get_command

    from ground import cli

    def options(command):
        own = {option for parameter in command.params for option in parameter.opts}
        return own.union(*(options(part) for part in getattr(command, "commands", {}).values()))

    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", text_of(page)))
    assert named <= options(get_command(cli.app)), named
    commands = set(re.findall(r"`thistledown ([a-z]+)", text_of(page)))
    assert commands <= set(get_command(cli.app).commands)


@each_page
def test_links_and_pictures_lead_somewhere(page):
    for target in links(page):
        path, _, anchor = target.partition("#")
        assert (FOLDER / (path or page)).resolve().exists(), f"{page}: {target}"
        if anchor:
            assert anchor in anchors(path or page), f"{page}: {target}"


def test_every_page_and_picture_is_reached_from_the_index():
    reached, todo = set(), ["README.md"]
    while todo:
        page = todo.pop()
        reached.add(page)
        new = {target.partition("#")[0] for target in links(page)} - reached - {""}
        reached |= {target for target in new if not target.endswith(".md")}
        todo += [target for target in new if target.endswith(".md")]
    pictures = {f"drawings/{path.name}" for path in (FOLDER / "drawings").glob("*.svg")}
    assert {*PAGES, *pictures, "label.html"} <= reached


@each_page
def test_an_answer_with_a_number_has_its_source_beside_it(page):
    bare = [
        row
        for table in tables(page)
        for row in table
        if "source" in row and not row["source"] and re.search(r"\d", " ".join(row.values()))
    ]
    assert [row for row in bare if not next(iter(row.values())).startswith("**all")] == []


@pytest.mark.parametrize("page", TABLES)
def test_computed_tables_are_current(page):
    text = text_of(page)
    assert filled(page, text) == text, "run python -m hardware_notes.tables"


def test_a_table_that_is_not_current_would_be_seen():
    text = text_of("power.md")
    assert filled("power.md", text.replace("| 24 h |", "| 25 h |")) == text != text.replace("| 24 h |", "| 25 h |")


def test_a_page_without_the_marks_of_its_table_is_told():
    with pytest.raises(ValueError, match="computed: loads"):
        filled("panel.md", text_of("panel.md").replace("computed: loads", "computed by hand"))


def test_each_part_has_its_supply_its_rated_range_and_the_top_of_the_flight():
    for page in PAGES:
        heads = [row["question"] for table in tables(page) for row in table if "question" in row]
        if heads:
            assert any("60 °C" in head and "10 hPa" in head for head in heads), page
            assert "What we learned" in text_of(page), page


def test_signals_page_tells_the_patterns_of_the_firmware():
    from firmware.core import signals

    told = re.findall(r"^\| (?:testing|GO|NO-GO|in flight|landed).*\|$", signals.__doc__, flags=re.MULTILINE)
    assert len(told) == 5
    assert [line for line in told if line not in text_of("signals.md")] == []


def test_label_has_room_for_the_team_and_names_nobody():
    text = (FOLDER / "label.html").read_text(encoding="utf-8")
    blanks = re.findall(r"(\w[\w, -]*) <span contenteditable=\"true\">(.*?)</span>", text)
    assert [name for name, _ in blanks][:3] == ["Team", "Telephone", "E-mail"]
    assert all(filled_in == "" for _, filled_in in blanks)
    assert "Harmless scientific instrument" in text
    assert "://" not in text and "src=" not in text, "must print without a network"

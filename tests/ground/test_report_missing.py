"""Flights that lack something: each gives a page, and the page says what is missing in place of the chart."""

import json

import pytest

from ground.errors import InputError
from ground.report import build_report
from ground.report.folder import load_folder
from tests.ground.report_maker import make_folder
from tests.ground.report_shortcuts import words_only  # noqa: F401
from tests.ground.test_report_page import SHORT, Elements

pytestmark = pytest.mark.usefixtures("words_only")


def page_of(folder):
    paths = build_report(folder)
    return paths, Elements(paths.page.read_text(encoding="utf-8"))


def names(paths):
    return {path.stem for path in paths.figures}


def test_flight_without_gps_is_drawn_from_pressure(tmp_path):
    paths, page = page_of(make_folder(tmp_path / "f", gps=False, utc=False, minutes_up=20.0, wait_s=300, stay_s=300))
    assert "ground_track" not in names(paths) and "pressure_height" not in names(paths)
    assert {"height_time", "temperature_height", "panel_height", "climb_time"} <= names(paths)
    assert "The folder has no GPS position." in page.text
    assert "There is no GPS altitude in this flight." in page.text
    assert "No reading has a time of day" in page.text
    heights = page.json("specs")["height_time"]["datasets"]["height"]
    assert {row["s"] for row in heights} == {"pressure altitude"}
    assert "minutes since the first power-up [min]" in json.dumps(page.json("specs"))
    for label in ("launch", "burst", "landing"):  # phases come from the barometer alone then
        assert any(row["label"] == label for row in page.json("specs")["height_time"]["datasets"]["moments"])


def test_flight_without_a_panel_says_so(tmp_path):
    paths, page = page_of(make_folder(tmp_path / "f", panel=False, **SHORT))
    assert not names(paths) & {"panel_time", "panel_height"}
    assert "no reading of a panel" in page.text and any(text.startswith("Panel:") for text in paths.missing)


def test_flight_with_one_probe_says_which(tmp_path):
    _, page = page_of(make_folder(tmp_path / "f", probes=("outside",), **SHORT))
    assert "Only one probe, outside, gave readings." in page.text


def test_half_a_minute_on_the_ground_is_no_flight(tmp_path):
    paths, page = page_of(make_folder(tmp_path / "f", flies=False, wait_s=30, stay_s=0, cuts_s=()))
    assert "the record shows no ascent" in page.text
    assert "Before anyone goes to fetch it" not in page.text
    assert "no ascent or descent with a known height" in page.text
    assert "temperature_time" in names(paths)


def test_flight_of_many_boots_names_every_restart(tmp_path):
    cuts = (120, 150, 400, 405, 410)
    _, page = page_of(make_folder(tmp_path / "f", cuts_s=cuts, pause_s=2.0, minutes_up=10.0, wait_s=60, stay_s=60))
    moments = page.json("specs")["height_time"]["datasets"]["moments"]
    assert sum(row["kind"] == "restart" for row in moments) == 5
    assert "The board restarted 5 times" in page.text


def test_boot_without_a_clock_is_placed_and_said_to_be_assumed(tmp_path):
    _, page = page_of(make_folder(tmp_path / "f", clockless_boots=(42,), minutes_up=20.0, wait_s=300, stay_s=300,
                                  cuts_s=(700,)))  # fmt: skip
    assert "by assumption" in page.text and "a pause of unknown length before boot 42" in page.text
    times = [row["t"] for row in page.json("specs")["temperature_time"]["datasets"]["temperature"]]
    assert max(times) - min(times) > 20 * 60 * 1000  # the boot is drawn, not dropped


def test_flight_table_without_any_time_of_day_is_shown_in_minutes(tmp_path):
    _, page = page_of(make_folder(tmp_path / "f", utc=False, **SHORT))
    assert "Minutes from the first power-up" in page.text
    assert "12" not in page.json("specs")["height_time"].get("title", {}).get("text", "")


def test_tables_as_csv_give_the_same_page(tmp_path):
    one = build_report(make_folder(tmp_path / "a" / "f", **SHORT))
    other = build_report(make_folder(tmp_path / "b" / "f", csv=True, **SHORT))
    assert one.page.read_bytes() == other.page.read_bytes()


def test_bare_folder_gives_a_page_of_reasons(tmp_path):
    folder = make_folder(tmp_path / "f", gps=False, panel=False, battery=False, probes=(), utc=False, simulated=None,
                         **SHORT)  # fmt: skip
    for path in (folder / "tables").iterdir():
        path.unlink()
    (folder / "integrity.json").unlink()
    paths, page = page_of(folder)
    assert paths.figures == () and len(paths.missing) == 7
    assert "integrity.json is absent" in page.text and "The folder has no event." in page.text
    assert all(text.split(": ", 1)[1] in page.text for text in paths.missing)


def test_record_that_ends_in_the_air_gives_no_landing_place(tmp_path):
    folder = make_folder(tmp_path / "f", stay_s=0, minutes_up=30.0)
    _, page = page_of(folder)
    assert "Last known place" in page.text and "not the landing" in page.text
    assert "came down somewhere beyond" in page.text


def test_no_such_folder_is_one_clear_line(tmp_path):
    with pytest.raises(InputError, match="no such flight folder") as caught:
        build_report(tmp_path / "nowhere")
    assert "\n" not in str(caught.value)


def test_folder_that_is_no_flight_is_one_clear_line(tmp_path):
    with pytest.raises(InputError, match="not a flight folder"):
        build_report(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["flight.parquet", "tables/fix.parquet", "integrity.json"])
def test_file_that_cannot_be_read_is_named_in_one_line(tmp_path, name):
    folder = make_folder(tmp_path / "f", **SHORT)
    (folder / name).write_bytes(b"PAR1 this is no table {")
    with pytest.raises(InputError, match=name.rsplit("/", 1)[-1]) as caught:
        build_report(folder)
    assert "\n" not in str(caught.value)
    assert not (folder / "report.html").exists()


def test_columns_that_are_absent_or_not_numbers_count_as_unknown(tmp_path):
    import pandas as pd

    folder = make_folder(tmp_path / "f", **SHORT)
    table = pd.read_parquet(folder / "tables" / "power.parquet").drop(columns=["power_mw"])
    table["current_ma"] = "twelve"
    table.to_parquet(folder / "tables" / "power.parquet")
    paths, page = page_of(folder)
    plots = page.json("specs")["panel_time"]["concat"]
    assert len(plots) == 1 and "panel_time" in names(paths)
    assert load_folder(folder).tables["power"]["current_ma"].isna().all()

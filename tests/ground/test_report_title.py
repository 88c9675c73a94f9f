"""What a flight is called, on the page and on its pictures."""

import json

import pytest

from ground.report import build_report
from ground.report.folder import load_folder
from ground.report.timeline import Timeline
from ground.report.title import NAME_MAX, title_of
from tests.ground.report_maker import make_folder
from tests.ground.report_shortcuts import words_only  # noqa: F401

SHORT = {"minutes_up": 6.0, "wait_s": 60, "stay_s": 60, "cuts_s": ()}


def title(folder, given=None):
    loaded = load_folder(folder)
    return title_of(loaded, Timeline([loaded.flight, *loaded.tables.values()]), given)


def test_simulated_flight_is_called_what_its_scenario_is(tmp_path):
    folder = make_folder(tmp_path / "demo", **SHORT)
    (folder / "flight.json").write_text(json.dumps({"scenario": "Over\n the moor", "runtime": "micropython"}))
    assert title(folder).name == "Over the moor"
    assert title(folder).small_print == "17 May 2031, folder demo"
    assert title(folder).with_day == "Over the moor, 17 May 2031"


def test_scenario_that_decode_took_along_counts_as_well(tmp_path):
    folder = make_folder(tmp_path / "demo", **SHORT)
    (folder / "flight.json").unlink()
    account = json.loads((folder / "integrity.json").read_text())
    account["simulated"] = {"scenario": "Over the moor", "runtime": "micropython"}
    (folder / "integrity.json").write_text(json.dumps(account))
    assert title(folder).name == "Over the moor"


@pytest.mark.parametrize("odd", [None, 3, ["a"], "", "  "])
def test_scenario_of_no_name_leaves_the_folders(tmp_path, odd):
    folder = make_folder(tmp_path / "spring-2031", **SHORT)
    (folder / "flight.json").write_text(json.dumps({"scenario": odd, "runtime": "micropython"}))
    assert title(folder).name == "spring-2031" and title(folder).small_print == "17 May 2031"


@pytest.mark.parametrize("name", ["out", "flight-2", "2031-05-17", "tmp_output", "Results"])
def test_folder_whose_name_says_nothing_leaves_the_day(tmp_path, name):
    shown = title(make_folder(tmp_path / name, simulated=None, **SHORT))
    assert shown.name == shown.with_day == "Flight of 17 May 2031"
    assert shown.small_print == f"folder {name}"


def test_flight_of_no_known_day_has_a_title_all_the_same(tmp_path):
    shown = title(make_folder(tmp_path / "out", simulated=None, utc=False, **SHORT))
    assert (shown.name, shown.day, shown.small_print) == ("A flight", "", "folder out")


def test_name_that_the_user_gives_goes_before_all_others_and_is_cut_if_endless(tmp_path):
    folder = make_folder(tmp_path / "demo", **SHORT)
    assert title(folder, "Our second one").name == "Our second one"
    assert len(title(folder, "long " * 100).name) <= NAME_MAX


@pytest.mark.usefixtures("words_only")
def test_page_and_browser_tab_carry_the_name_and_the_day(tmp_path):
    folder = make_folder(tmp_path / "demo", **SHORT)
    text = build_report(folder, title="Up & away <3").page.read_text(encoding="utf-8")
    assert "<title>Up &amp; away &lt;3, 17 May 2031: flight report</title>" in text
    assert "<h1>Up &amp; away &lt;3</h1>" in text


@pytest.mark.usefixtures("words_only")
def test_every_picture_is_told_name_day_and_that_it_was_simulated(tmp_path, monkeypatch):
    labels = []
    monkeypatch.setattr("ground.report.build.png", lambda spec, label: labels.append(label) or b"not painted")
    build_report(make_folder(tmp_path / "spring", simulated=None, **SHORT))
    assert labels and all(label == ["spring, 17 May 2031"] for label in labels)
    labels.clear()
    build_report(make_folder(tmp_path / "spring", **SHORT), force=True)
    assert all(label == ["drill, 17 May 2031", "Simulated flight, firmware on MicroPython"] for label in labels)

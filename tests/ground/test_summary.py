"""The screenful after the demo: the questions it answers, and that it claims nothing the folder does not hold."""

import json
import re

import pytest

from ground.errors import InputError
from ground.summary import WIDTH, summarise
from tests.ground.report_maker import make_folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_folder(tmp_path_factory.mktemp("summary") / "flight")


@pytest.fixture(scope="module")
def text(folder):
    return summarise(folder)


def row(text, label):
    """The value behind a label, joined over its lines."""
    lines = text.splitlines()
    start = next(number for number, line in enumerate(lines) if line.startswith(f"  {label} "))
    value = [lines[start].removeprefix(f"  {label}").strip()]
    for line in lines[start + 1 :]:
        if not line.startswith(" " * 10):
            break
        value.append(line.strip())
    return " ".join(value)


def metres(value):
    return float(re.search(r"([\d,]+) m", value).group(1).replace(",", ""))


def test_both_altitudes_and_the_true_one_are_told(text):
    gps, pressure, truth = (
        metres(row(text, label)) for label in ("Highest by GPS", "Highest by pressure", "The truth, simulated")
    )
    assert gps == pytest.approx(truth, abs=30)
    assert pressure == pytest.approx(truth, rel=0.02)
    assert gps != pressure


def test_recovery_is_told_before_anything_else(text):
    assert text.index("records are missing") < text.index("Highest by GPS")
    assert "restarted once" in text


def test_landing_has_a_time_and_a_place(text):
    assert "UTC" in row(text, "Landing")
    assert re.search(r"\d+\.\d{5}° N, \d+\.\d{5}° E", row(text, "Landing place"))


def test_panel_peak_has_its_height(folder, text):
    import pandas as pd

    power = pd.read_parquet(folder / "tables" / "power.parquet")
    peak = row(text, "Most power, panel")
    assert float(re.match(r"([\d,]+) mW", peak).group(1).replace(",", "")) == pytest.approx(
        power["power_mw"].max(), abs=1
    )
    assert 0 < metres(peak.split(" at ")[1]) < 31_000


def test_real_micropython_is_named(text):
    assert "ran on real MicroPython" in " ".join(text.split())


def test_cpython_is_said_plainly(tmp_path):
    text = summarise(make_folder(tmp_path / "flight", simulated="cpython"))
    assert "CPython, NOT on the MicroPython" in " ".join(text.split())


def test_notices_of_the_simulator_are_passed_on(tmp_path):
    folder = make_folder(tmp_path / "flight")
    note = json.loads((folder / "flight.json").read_text()) | {"notices": ["MicroPython was not found here"]}
    (folder / "flight.json").write_text(json.dumps(note))
    assert "! MicroPython was not found here" in summarise(folder)


def test_objections_of_the_virtual_chips_are_passed_on(tmp_path):
    folder = make_folder(tmp_path / "flight")
    note = json.loads((folder / "flight.json").read_text())
    for boot, told in (({"objection_count": 0, "escaped": None}, False), ({"objection_count": 3}, True)):
        (folder / "flight.json").write_text(json.dumps(note | {"boots": [boot]}))
        assert ("objected 3 times" in " ".join(summarise(folder).split())) is told


def test_real_flight_is_not_called_simulated(tmp_path):
    text = summarise(make_folder(tmp_path / "flight", simulated=None))
    assert "simulated" not in text
    assert "truth" not in text


def test_what_the_folder_does_not_hold_is_not_known(tmp_path):
    text = summarise(make_folder(tmp_path / "flight", gps=False, panel=False, battery=False))
    assert row(text, "Highest by GPS").startswith("not known")
    assert row(text, "Landing place").startswith("not known")
    assert "Most power" not in text


def test_flight_that_never_left_the_ground_has_no_burst(tmp_path):
    text = summarise(make_folder(tmp_path / "flight", flies=False))
    assert row(text, "Launch").startswith("none")
    assert "Burst" not in text


def test_only_files_that_are_there_are_named(folder, text):
    named = re.findall(rf"^  ({re.escape(str(folder))}\S*)", text, flags=re.MULTILINE)
    assert f"{folder / 'tables'}/" in named
    assert all((folder / name).exists() for name in named)
    assert not any("report.html" in name for name in named)


def test_cautions_close_the_text(text):
    ending = " ".join(text.split("\n\n")[-1].split())
    for word in ("aviation authority", "hydrogen", "lithium", "power lines", "never permission"):
        assert word in ending


def test_lines_fit_a_terminal(folder, text):
    assert max(len(line) for line in text.splitlines() if str(folder) not in line) <= WIDTH < 80


def test_folder_that_is_no_flight_is_refused(tmp_path):
    with pytest.raises(InputError):
        summarise(tmp_path)

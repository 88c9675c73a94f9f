"""fly, decode and report one after the other as a person types them, with a short flight and relative paths."""

import csv
from pathlib import Path

import pytest

from ground import cli

STREAM = Path(__file__).parents[1] / "data" / "gnss" / "s3_nmea_2d_then_3d.nmea"


@pytest.fixture(scope="module")
def journey(tmp_path_factory):
    """The folder in which the commands were typed."""
    with pytest.MonkeyPatch.context() as patch:
        here = tmp_path_factory.mktemp("journey")
        patch.chdir(here)
        assert cli.run(["fly", "calm", "--gnss-stream", str(STREAM)]) == 0
        assert cli.run(["decode", "flights/calm/card.img", "-o", "flights/calm"]) == 0
        assert cli.run(["report", "flights/calm"]) == 0
    return here


def test_flight_folder_holds_what_each_command_promised(journey):
    folder = journey / "flights" / "calm"
    for name in ("card.img", "truth.parquet", "flight.parquet", "integrity.json", "report.html"):
        assert (folder / name).stat().st_size > 0, name
    assert list((folder / "tables").glob("fix.*"))
    assert list((folder / "figures").glob("*.png"))


def test_nothing_else_was_written(journey):
    assert [entry.name for entry in journey.iterdir()] == ["flights"]
    assert [entry.name for entry in (journey / "flights").iterdir()] == ["calm"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["fly", "calm"],
        ["decode", "flights/calm/card.img", "-o", "flights/calm"],
        ["report", "flights/calm"],
    ],
)
def test_doing_it_again_writes_over_nothing(journey, monkeypatch, capsys, arguments):
    monkeypatch.chdir(journey)
    before = {path: path.stat().st_mtime_ns for path in journey.rglob("*")}
    assert cli.run(arguments) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "--force" in said
    assert {path: path.stat().st_mtime_ns for path in journey.rglob("*")} == before


def test_decode_with_force_writes_the_same_tables_again(journey, monkeypatch):
    monkeypatch.chdir(journey)
    table = journey / "flights" / "calm" / "flight.parquet"
    before = table.read_bytes()
    assert cli.run(["decode", "flights/calm/card.img", "-o", "flights/calm", "--force"]) == 0
    assert table.read_bytes() == before


def test_tables_can_be_had_as_csv_elsewhere(journey, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    image = journey / "flights" / "calm" / "card.img"
    assert cli.run(["decode", str(image), "-o", "as csv", "--format", "csv"]) == 0
    with open(tmp_path / "as csv" / "tables" / "fix.csv", newline="", encoding="utf-8") as file:
        assert next(csv.reader(file))[:3] == ["boot", "t_ms", "utc"]

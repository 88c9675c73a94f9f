"""The bench record: what it names, what it keeps of earlier ones, and its page."""

import json
import re
from dataclasses import replace

import pytest

from ground.bench.answers import Reading
from ground.bench.judge import judge
from ground.bench.points import add_points, make_point
from ground.bench.record import CAUTIONS, earlier_points, make_record, write_record
from ground.errors import InputError
from tests.bench_checks.bench_runs import Run, run_bench

NOW = "2027-05-22T04:40:00Z"
BOARD = {"id": "d403a922a3707cec", "firmware": "0.1", "build": None, "micropython": "1.29.0", "machine": "a board",
         "settings_crc": "ecfb3810", "boot": 2, "port": "sim", "simulated": True}  # fmt: skip


@pytest.fixture(scope="module")
def evidence():
    return run_bench(Run(answers={"led_seen": False, "station_pressure_hpa": Reading(966.0, 0.4)}))


def _record(evidence, points=(), made_utc=NOW):
    return make_record(evidence, judge(evidence), made_utc=made_utc, board=BOARD, points=points)


def test_record_names_board_firmware_settings_and_time(evidence, tmp_path):
    path, page = write_record(_record(evidence), tmp_path)
    record = json.loads(path.read_text(encoding="utf-8"))
    assert record["verdict"] == "NO-GO" and record["made_utc"] == NOW
    assert record["board"]["id"] == BOARD["id"] and record["board"]["firmware"] == "0.1"
    assert record["settings"]["crc"] == evidence.settings_crc
    assert record["settings"]["values"]["panel_shunt_microohm"] == 100_000
    assert record["sensors"]["outside"].startswith("ds18b20:28")
    assert {one["name"] for one in record["findings"] if one["verdict"] == "no-go"} == {"LED"}
    text = page.read_text(encoding="utf-8")
    for piece in ("NO-GO", BOARD["id"], "ecfb3810", "2027-05-22 04:40 UTC", "The board was simulated", "long leg"):
        assert piece in text
    assert all(caution.split(":")[0] in text for caution in CAUTIONS)


def test_page_is_one_file_that_asks_nobody_for_anything(evidence, tmp_path):
    text = write_record(_record(evidence), tmp_path)[1].read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert not re.search(r"""(src|href)=["'](?!data:)|<script|https?://|@import|url\(""", text)


def test_words_from_a_board_are_never_markup(evidence, tmp_path):
    hostile = BOARD | {"id": '<img src=x onerror="alert(1)">', "micropython": "</style><script>"}
    record = make_record(evidence, judge(evidence), made_utc=NOW, board=hostile)
    text = write_record(record, tmp_path)[1].read_text(encoding="utf-8")
    assert "<img" not in text and "<script" not in text and "&lt;img" in text


def test_earlier_record_is_moved_aside_and_never_lost(evidence, tmp_path):
    for minute in (40, 41, 41):
        write_record(_record(evidence, made_utc=f"2027-05-22T04:{minute}:00Z"), tmp_path)
    names = sorted(path.name for path in tmp_path.iterdir())
    assert names == [
        "bench-2027-05-22T044000Z.html", "bench-2027-05-22T044000Z.json", "bench-2027-05-22T044100Z.html",
        "bench-2027-05-22T044100Z.json", "bench.html", "bench.json",
    ]  # fmt: skip
    assert json.loads((tmp_path / "bench-2027-05-22T044000Z.json").read_text())["made_utc"] == "2027-05-22T04:40:00Z"


def test_points_of_an_earlier_evening_stay_with_their_sensor(evidence, tmp_path):
    first = make_point(evidence, "pressure", NOW)
    other = replace(first, identity="ms5611:00000000")
    path, _ = write_record(_record(evidence, [first, other]), tmp_path)
    sensors = json.loads(path.read_text())["sensors"]
    assert earlier_points(tmp_path, sensors) == [first]
    assert earlier_points(tmp_path / "elsewhere", sensors) == []
    assert "barometer" in (tmp_path / "bench.html").read_text(encoding="utf-8")


def test_point_that_is_a_fault_or_a_slip_does_not_take_the_others_with_it(evidence):
    slip = replace(evidence, answers=replace(evidence.answers, panel_ma=Reading(20.0, 0.5), battery_volts=None))
    earlier = [make_point(evidence, "pressure", NOW)]
    kept, refused = add_points(slip, earlier, ("volts", "current", "battery"), NOW)
    assert [point.quantity for point in kept] == ["pressure", "volts"]
    assert "20 mA; more than 15 % is no calibration but a fault" in refused[0]
    assert "--battery-volts" in refused[1] and len(refused) == 2
    assert len(_record(slip, kept).as_dict()["calibrations"]) == 2


def test_foreign_file_of_that_name_is_not_taken_for_a_record(tmp_path):
    (tmp_path / "bench.json").write_text("no record")
    with pytest.raises(InputError, match="no bench record"):
        earlier_points(tmp_path, {})


def test_folder_that_cannot_be_written_is_told_in_one_line(evidence, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="choose another folder"):
        write_record(_record(evidence), tmp_path / "file" / "below")

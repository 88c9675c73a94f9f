"""Calibration points: their line, their uncertainty, and what decode makes of them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from ground.bench.answers import Reading
from ground.bench.calibration import Point, calibrate, calibrations_of, point_from_dict
from ground.bench.identities import identities
from ground.bench.points import make_point
from ground.decode import decode
from ground.errors import InputError
from ground.simulator.flight import fly
from tests.bench_checks.bench_runs import Run, bench_world, raw_scenario, run_bench

NOW = "2027-05-22T04:40:00Z"


def _point(quantity, read, reference, uncertainty=0.1, identity="x"):
    return Point(quantity, identity, read, reference, uncertainty, "by hand", NOW)


def test_one_point_of_a_pressure_is_an_offset():
    made = calibrate([_point("pressure", 1001.0, 999.5)])
    assert (made.method, made.gain, made.offset) == ("offset", 1.0, -1.5)
    assert made.corrected([1001.0, 20.0]).tolist() == [999.5, 18.5]
    assert made.uncertainty([20.0]).tolist() == [0.1]


def test_one_point_of_a_current_is_a_factor_and_nothing_stays_nothing():
    made = calibrate([_point("current", 100.0, 97.0, 1.0)])
    assert made.method == "factor" and made.corrected([0.0, 50.0]).tolist() == [0.0, 48.5]
    assert made.uncertainty([100.0, 200.0]) == pytest.approx([1.0, 2.0])


def test_two_points_far_apart_are_a_line():
    made = calibrate([_point("outside", 0.4, 0.0), _point("outside", 20.8, 20.0)])
    assert made.method == "line"
    assert made.corrected([0.4, 20.8]) == pytest.approx([0.0, 20.0])


def test_uncertainty_of_a_line_is_that_of_its_points_and_grows_beyond_them():
    """Against draws of the two points: 20 000 lines, their scatter at each reading (seeded)."""
    points = [_point("outside", 0.0, 0.0, 0.2), _point("outside", 20.0, 20.0, 0.3)]
    stated = calibrate(points).uncertainty([0.0, 10.0, 20.0, -60.0])
    rng = np.random.default_rng(20270522)
    low, high = rng.normal(0, 0.2, 20000), rng.normal(20, 0.3, 20000)
    drawn = [np.std(low + (high - low) * x / 20.0) for x in (0.0, 10.0, 20.0, -60.0)]
    assert stated == pytest.approx(drawn, rel=0.03)
    assert stated[3] > 1.0


def test_two_points_close_together_are_one_offset():
    made = calibrate([_point("outside", 20.0, 20.4), _point("outside", 21.0, 21.2)])
    assert made.method == "offset" and made.offset == pytest.approx(0.3)
    assert made.uncertainty([0.0]) == pytest.approx([0.1 / np.sqrt(2)])


@pytest.mark.parametrize(
    ("quantity", "read", "reference"), [("pressure", 1013.0, 960.0), ("current", 10.0, 100.0), ("inside", 25.0, 0.0)]
)
def test_correction_that_is_none_is_refused(quantity, read, reference):
    with pytest.raises(InputError, match="no calibration but a fault"):
        calibrate([_point(quantity, read, reference)])


def test_points_of_different_sensors_stay_apart():
    made = calibrations_of([_point("inside", 20.0, 20.1, identity="a"), _point("inside", 20.0, 19.9, identity="b")])
    assert [one.offset for one in made] == pytest.approx([0.1, -0.1])


def test_damaged_point_is_refused():
    good = _point("pressure", 1.0, 1.0).as_dict()
    assert point_from_dict(good) == _point("pressure", 1.0, 1.0)
    for change in ({"quantity": "luck"}, {"read": float("nan")}, {"read": "x"}):
        with pytest.raises(InputError, match="damaged"):
            point_from_dict(good | change)
    del good["read"]
    with pytest.raises(InputError, match="damaged"):
        point_from_dict(good)


@pytest.fixture(scope="module")
def evidence():
    return run_bench(Run(answers={"ice_bath": ("inside",), "station_pressure_hpa": Reading(967.0, 0.3)}))


def test_point_compares_the_board_with_what_was_typed_in(evidence):
    point = make_point(evidence, "pressure", NOW)
    assert point.reference == 967.0 and point.read == pytest.approx(968.3, abs=0.1)
    assert point.uncertainty == pytest.approx(0.3, abs=0.02)
    assert point.identity.startswith("ms5611:")


def test_ice_is_zero(evidence):
    point = make_point(evidence, "inside", NOW)
    assert (point.reference, point.how) == (0.0, "melting ice")
    assert point.identity.startswith("ds18b20:28")


def test_nothing_typed_in_makes_no_point(evidence):
    nothing = replace(evidence, answers=replace(evidence.answers, battery_volts=None))
    with pytest.raises(InputError, match="--battery-volts"):
        make_point(nothing, "battery", NOW)
    with pytest.raises(InputError, match="must be one of pressure"):
        make_point(evidence, "luck", NOW)


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    """A card of the same board."""
    folder = tmp_path_factory.mktemp("card")
    scenario = raw_scenario({})
    fly(scenario, folder, world=replace(bench_world(), scenario=scenario), stop_after_s=40.0)
    return folder


def _read(folder, table):
    import pyarrow.parquet as pq

    return pq.read_table(folder / "tables" / f"{table}.parquet")


def test_decode_applies_the_bench_record_beside_the_card(evidence, flight, tmp_path):
    points = [make_point(evidence, "pressure", NOW), make_point(evidence, "current", NOW)]
    bench = {"calibration_points": [point.as_dict() for point in points]}
    (flight / "bench.json").write_text(json.dumps(bench), encoding="utf-8")
    try:
        result = decode(flight / "card.img", tmp_path / "flight")
    finally:
        (flight / "bench.json").unlink()
    plain = decode(flight / "card.img", tmp_path / "plain")
    ours, theirs = _read(result.folder, "pressure"), _read(plain.folder, "pressure")
    offset = points[0].reference - points[0].read
    calibrated, as_read = (np.array(ours[name]) for name in ("pressure_hpa", "pressure_as_read_hpa"))
    assert as_read.tolist() == np.array(theirs["pressure_hpa"]).tolist()
    assert calibrated == pytest.approx(as_read + offset, abs=1e-9)
    assert ours["d1"].to_pylist() == theirs["d1"].to_pylist()  # raw words stay
    power = _read(result.folder, "power")
    assert np.array(power["power_mw"]) == pytest.approx(np.array(power["bus_v"]) * np.array(power["current_ma"]))
    assert b"calibration" in ours.schema.field("pressure_hpa").metadata
    account = result.integrity
    assert [one["quantity"] for one in account["bench_calibrations"]] == ["pressure", "current"]
    assert sum("calibrated by the bench record" in note for note in account["notes"]) == 2
    assert (result.folder / "bench.json").exists()
    assert plain.integrity["bench_calibrations"] == [] and "pressure_as_read_hpa" not in theirs.column_names


def test_calibration_of_another_sensor_is_not_used_and_that_is_said(evidence, flight, tmp_path):
    point = replace(make_point(evidence, "pressure", NOW), identity="ms5611:00000000")
    (tmp_path / "flight").mkdir()
    (tmp_path / "flight" / "bench.json").write_text(json.dumps({"calibration_points": [point.as_dict()]}))
    result = decode(flight / "card.img", tmp_path / "flight", force=True)
    assert "pressure_as_read_hpa" not in _read(result.folder, "pressure").column_names
    assert any("another sensor's" in note for note in result.integrity["notes"])


def test_file_that_is_no_bench_record_stops_decode_with_a_way_out(flight, tmp_path):
    (tmp_path / "flight").mkdir()
    for text in ("{", "[]", "{}", '{"calibration_points": [{"quantity": 1}]}', '{"calibration_points": 3}'):
        (tmp_path / "flight" / "bench.json").write_text(text)
        with pytest.raises(InputError, match="move it away"):
            decode(flight / "card.img", tmp_path / "flight", force=True)


def test_exchanged_sensor_has_no_identity(evidence):
    tables = dict(evidence.tables)
    assert set(identities(tables)) == {"pressure", "outside", "inside", "volts", "current", "battery"}
    table = tables["pressure_cal"]
    changed = np.array(table["c1"])
    changed[-1] += 1
    tables["pressure_cal"] = replace(table, columns=table.columns | {"c1": changed})
    assert "pressure" not in identities(tables)

"""flight.parquet: every second once, nothing mended in silence."""

from datetime import datetime

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.decode.course.resample import INTERPOLATED, MEASURED, NONE, per_second
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

PROFILE = flight_profile(wait_s=90, top_m=6000.0, rest_s=120)
CUT, BACK = 600, 612  # the board is off for 12 s in the climb


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("flight")
    log = log_flight(LogMaker(), PROFILE, boots=((1, 0, CUT), (2, BACK, None)))
    (folder / "TD000001.LOG").write_bytes(log.data())
    result = decode(folder / "TD000001.LOG", folder / "out")
    return (
        result,
        pq.read_table(folder / "out" / "flight.parquet").to_pydict(),
        pq.read_schema(folder / "out" / "flight.parquet"),
    )


def second_of(text):
    return round(datetime.fromisoformat(text).timestamp() - LAUNCH_UTC_MS / 1000)


def test_columns_are_those_of_the_contract(flown):
    names = [
        "utc",
        "phase",
        "latitude_deg",
        "longitude_deg",
        "altitude_m",
        "altitude_source",
        "pressure_hpa",
        "pressure_altitude_m",
        "climb_mps",
        "temperature_outside_c",
        "temperature_inside_c",
        "panel_bus_v",
        "panel_current_ma",
        "panel_power_mw",
        "battery_v",
        "flags",
    ]
    assert flown[2].names == names
    assert flown[2].field("panel_current_ma").metadata[b"unit"] == b"mA"


def test_every_second_has_one_row(flown):
    seconds = [second_of(text) for text in flown[1]["utc"]]
    assert seconds == list(range(seconds[0], seconds[-1] + 1))
    assert seconds[0] <= 1 and abs(seconds[-1] - len(PROFILE.altitude_m)) <= 1


def test_rows_of_a_gap_are_empty_and_say_so(flown):
    table = flown[1]
    for second in range(CUT + 2, BACK - 1):
        row = {name: values[second] for name, values in table.items()}
        assert row["flags"] == "gap" and row["altitude_source"] == "none"
        assert all(
            row[name] is None for name in row if name.endswith(("_m", "_hpa", "_deg", "_c", "_v", "_ma", "_mw", "_mps"))
        )


def test_values_are_those_of_the_flight(flown):
    table = flown[1]
    # the fix of second k reaches the log late, so UTC lags by up to half a second: 1.5 m at 5 m/s, 5 m while falling
    got = np.array([np.nan if value is None else value for value in table["altitude_m"]])
    inside = np.arange(20, CUT - 5)
    assert np.abs(got[inside] - PROFILE.altitude_m[inside]).max() < 30
    assert np.abs(np.mean(got[inside] - PROFILE.altitude_m[inside])) < 3
    assert table["latitude_deg"][300] == pytest.approx(51.2 + 300e-5, abs=2e-5)
    assert table["temperature_inside_c"][300] == 20.0
    assert table["battery_v"][302] == pytest.approx(40000 / 65535 * 6.6)
    assert table["climb_mps"][300] == pytest.approx(5.0)
    assert "interpolated" not in "".join(table["flags"][20 : CUT - 10])


def test_phase_column_and_results_agree_with_the_profile(flown):
    result, table, _schema = flown
    begins = {name: table["phase"].index(name) for name in ("ascending", "descending", "landed")}
    assert begins["ascending"] == pytest.approx(PROFILE.launch_s, abs=2)
    assert begins["descending"] == pytest.approx(PROFILE.burst_s, abs=3)
    assert begins["landed"] == pytest.approx(PROFILE.landing_s, abs=3)
    for name, moment in (("launch_utc", "ascending"), ("burst_utc", "descending"), ("landing_utc", "landed")):
        assert second_of(result.results[name]) == pytest.approx(begins[moment], abs=1)
    assert result.results["apogee_m"] == pytest.approx(PROFILE.altitude_m.max(), abs=10)
    assert result.results["landing_position_basis"] == "median at rest after the landing"
    assert result.results["landing_altitude_m"] == pytest.approx(180.0, abs=3)


def test_flight_without_gps_has_no_utc_and_an_empty_flight_table(tmp_path):
    log = log_flight(LogMaker(), flight_profile(wait_s=20, top_m=600.0, rest_s=20), gnss=False)
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    result = decode(tmp_path / "TD000001.LOG", tmp_path / "out")
    assert result.rows["flight"] == 0 and result.rows["pressure"] > 1000
    assert result.integrity["boots"][0]["first_utc"] is None
    assert pq.read_table(tmp_path / "out/tables/pressure.parquet").column("utc").null_count == result.rows["pressure"]


def test_altitude_comes_from_pressure_where_the_receiver_is_silent_and_is_marked(tmp_path):
    from shared_protocol.records import FIX

    profile = flight_profile(wait_s=60, top_m=4000.0, rest_s=60)

    class SilentAbove(LogMaker):
        def add(self, record_type, t_ms, *values):
            if record_type == FIX and values[6] > 2_000_000:
                return b""
            return super().add(record_type, t_ms, *values)

    log = log_flight(SilentAbove(), profile)
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    decode(tmp_path / "TD000001.LOG", tmp_path / "out")
    table = pq.read_table(tmp_path / "out/flight.parquet").to_pydict()
    at = int(np.argmax(profile.altitude_m > 3500))
    assert table["altitude_source"][at] == "pressure" and table["latitude_deg"][at] is None
    assert table["altitude_m"][at] == pytest.approx(profile.altitude_m[at], abs=15)
    assert {"altitude_from_pressure", "climb_from_pressure"} <= set(table["flags"][at].split("|"))
    assert table["climb_mps"][at] == pytest.approx(5.0, abs=0.5)


def grid(count):
    return np.arange(count, dtype=np.int64) * 1000


def test_fast_series_is_averaged_over_the_second_around_the_mark():
    t = np.arange(-500, 5500, 100, dtype=np.int64)
    values, how = per_second(grid(6), t, t / 1000.0)
    assert np.allclose(values, np.arange(6) - 0.05) and (how == MEASURED).all()


def test_slow_series_is_read_off_the_line_between_its_neighbours():
    t = np.array([250, 1250, 2250, 3250, 9750, 10750])
    values, how = per_second(grid(11), t, t / 1000.0)
    assert np.allclose(values[1:4], [1, 2, 3]) and (how[1:4] == MEASURED).all()
    assert np.isnan(values[4:10]).all() and (how[4:10] == NONE).all()  # a hole of 6.5 s stays one
    assert values[10] == 10.0


def test_hole_of_a_few_seconds_is_bridged_and_marked():
    t = np.array([0, 1000, 2000, 6500, 7500, 8500])
    values, how = per_second(grid(9), t, t / 1000.0)
    assert np.allclose(values, np.arange(9))
    assert how.tolist() == [MEASURED] * 3 + [INTERPOLATED] * 4 + [MEASURED] * 2


def test_value_beside_a_long_hole_stays_at_its_own_second():
    t = np.array([0, 1000, 2000, 30_400, 31_400])
    values, _how = per_second(grid(32), t, np.array([1.0, 2, 3, 4, 5]))
    assert values[30] == 4.0 and np.isnan(values[3:30]).all()


def test_no_readings_are_no_values():
    values, how = per_second(grid(3), np.array([], dtype=np.int64), np.array([]))
    assert np.isnan(values).all() and (how == NONE).all()


def test_rows_are_those_around_readings_where_boots_claim_more_time_than_any_flight_takes():
    from ground.decode.course.flight import Timed, _grid

    hour = 3_600_000
    readings = Timed(None, np.array([5_000, 400 * hour + 7_000]), np.zeros(2, dtype=np.int64))
    long_boot = [(0, 401 * hour)]
    many_boots = [(n * 5 * hour, n * 5 * hour + 1000) for n in range(80)]
    for spans in (long_boot, many_boots):
        assert _grid(spans, [readings, None]).tolist() == [
            *range(0, 10_000, 1000), *range(400 * hour, 400 * hour + 10_000, 1000)
        ]  # fmt: skip
    assert len(_grid([(0, 72 * hour)], [readings])) == 72 * 3600 + 1  # a soak

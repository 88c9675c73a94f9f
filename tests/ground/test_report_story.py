"""Facts, times and places of the report."""

import json

import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic

from ground.decode.readings.flags import NAMES
from ground.durations import duration_words
from ground.report.account import boot_rows, longest_pauses, sentences, to_know
from ground.report.event_list import ROWS_MAX, event_rows, in_words
from ground.report.facts import fact_rows
from ground.report.flags import MEANINGS
from ground.report.folder import load_folder
from ground.report.local_plane import distance_and_bearing, east_north_km
from ground.report.story import tell
from ground.report.timeline import Timeline, utc_ms
from ground.report.truth import sentences as truth_sentences
from tests.ground.report_maker import START, make_folder

FEW = {"minutes_up": 25.0, "wait_s": 300, "stay_s": 300, "cuts_s": (700,)}


def told(folder):
    loaded = load_folder(folder)
    timeline = Timeline([loaded.flight, *loaded.tables.values()])
    return loaded, timeline, tell(loaded, timeline)


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    return told(make_folder(tmp_path_factory.mktemp("story") / "f", **FEW))


def test_launch_burst_and_landing_are_those_of_the_flight(flight):
    _, timeline, story = flight
    start = START.timestamp() * 1000
    assert story.launch_ms == pytest.approx(start + 300_000, abs=1500)
    assert story.burst_ms == pytest.approx(start + 1_800_000, abs=1500)
    assert timeline.clock(story.launch_ms) == "07:47:10 UTC"
    assert story.rested and story.landing.basis == "median at rest after the landing"


def test_results_json_has_the_last_word(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    (folder / "results.json").write_text(json.dumps({
        "apogee_m": 7777.7, "apogee_pressure_altitude_m": 7700.0, "launch_utc": "2031-05-17T07:47:30.250Z",
        "burst_utc": None, "landing_latitude_deg": 57.5, "landing_longitude_deg": 14.5,
        "landing_position_basis": "last known position, before the landing"}))  # fmt: skip
    loaded, timeline, story = told(folder)
    facts = {label: value for label, value, _ in fact_rows(loaded, timeline, story)}
    assert facts["Highest by GPS"] == "7,778 m" and facts["Launch"] == "07:47:30 UTC"
    assert facts["Burst"] == "08:12:10 UTC"  # null there: the flight table's
    assert facts["Last known place"] == "57.50000° N, 14.50000° E" and "Landing place" not in facts


def test_broken_results_do_not_matter(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    (folder / "results.json").write_text(
        json.dumps({"apogee_m": "high", "launch_utc": 7, "landing_latitude_deg": True})
    )
    story = told(folder)[2]
    assert story.launch_ms is not None and story.gps_top_m > 7000


def test_flight_that_begins_in_the_air_has_no_launch(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "flight.parquet")
    table[table["phase"] != "ground"].to_parquet(folder / "flight.parquet")
    loaded, timeline, story = told(folder)
    facts = {label: (value, small) for label, value, small in fact_rows(loaded, timeline, story)}
    assert facts["Launch"] == ("not in the record", "the record begins in the air") and "In the air" not in facts


def test_account_counts_what_was_lost_and_names_the_restart(flight):
    text = " ".join(sentences(*flight))
    assert "12 records are missing" in text and "1 stretch of the log could not be read" in text
    assert "restarted once: 14 s without a record before boot 42" in text or "restarted once: 15 s" in text
    assert "Flagged temperature readings: 2 after reset." in text


def test_account_of_a_whole_log_says_that_nothing_is_missing(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    note = json.loads((folder / "integrity.json").read_text())
    note.update(frames_missing=0, frames_bad=0)
    (folder / "integrity.json").write_text(json.dumps(note))
    text = " ".join(sentences(*told(folder)))
    assert "No record is missing" in text and "could not be read" not in text


def test_boots_are_listed_with_their_records_and_longest_gap(flight):
    rows = boot_rows(flight[0], flight[1])
    assert [row["boot"] for row in rows] == [41, 42] and rows[0]["gap"] == "1.0 s"
    assert {row["placed"] for row in rows} == {"by GPS time"}


def test_integrity_of_another_shape_does_no_harm(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    (folder / "integrity.json").write_text(json.dumps({"frames_ok": None, "boots": ["x", {"boot": "y"}], "notes": 3}))
    loaded, timeline, story = told(folder)
    loaded.integrity["notes"] = [1, "a note"]
    assert to_know(loaded) == ["A note."] and sentences(loaded, timeline, story)
    assert boot_rows(loaded, timeline)[0]["frames"] is None


def test_events_are_in_order_of_time_and_routine_ones_left_out(flight):
    rows, left_out = event_rows(*flight)
    assert left_out == 2 and not any(row["name"] == "chip present" for row in rows)
    assert rows[0]["since"] == "−5 min 00 s" and any(row["since"].startswith("+") for row in rows)


@pytest.mark.parametrize(
    "said, words",
    [
        ("flight phase 1 (0 ground, 1 ascending) at 511 m", "flight phase: ascending at 511 m"),
        ("flight phase 0 (0 ground, 1 ascending) at unknown pressure altitude",
         "flight phase: ground (pressure altitude not known yet)"),
        ("self-test: 0 (1 GO, 0 NO-GO), parts in trouble 4 (bits: source numbers)",
         "self-test: NO-GO, in trouble: pressure"),
        ("self-test: 0 (1 GO, 0 NO-GO), parts in trouble 4162 (bits: source numbers)",
         "self-test: NO-GO, in trouble: card, gnss, others"),
        ("self-test: 1 (1 GO, 0 NO-GO), parts in trouble 0 (bits: source numbers)",
         "self-test: GO, no part in trouble"),
        ("power-up number 2, cause 1 (1 power, 2 watchdog, 3 own reset, 0 unknown)",
         "power-up number 2, the power came on"),
        ("receiver speaks protocol version 18.00 (0.00: it names none), so its airborne limit is 50000 m",
         "receiver speaks protocol version 18.00, so its airborne limit is 50,000 m"),
        ("receiver speaks protocol version 0.00 (0.00: it names none), so its airborne limit is 50000 m",
         "receiver speaks a protocol that it does not name, so its airborne limit is 50,000 m"),
        ("receiver confirms dynamic model 6", "receiver confirms airborne dynamic model 6"),
        ("receiver reads back dynamic model 0, wanted 7: set again",
         "receiver reads back dynamic model 0, wanted 7: set again"),
        ("second copy in flash goes on at sector 0 in a ring of 960 KiB",
         "the second copy begins in the board's flash, where it has 960 KiB"),
        ("second copy in flash goes on at sector 272 in a ring of 960 KiB",
         "the second copy goes on in the board's flash, at sector 272 of 960 KiB"),
        ("log 1 resumed at sector 3029", "log 1 goes on where it had stopped, at sector 3029"),
        ("receiver state 2 (0 no answer, 1 no fix, 2 fix, 3 lost or frozen at a limit); pressure altitude 9 m",
         "receiver: fix; pressure altitude 9 m"),
        ("chip at address 119 is a number 5 (1 MS5611, 5 BMP280)", "chip at address 119 is BMP280"),
        ("flight phase 9 (0 ground, 1 ascending) at 5 m", "flight phase 9 (0 ground, 1 ascending) at 5 m"),
        ("card write failed (error 5) at sector 12", "card write failed (error 5) at sector 12"),
    ],
)  # fmt: skip
def test_numbers_in_an_events_sentence_become_their_words(said, words):
    assert in_words(said) == words


def test_flood_of_events_is_cut_and_counted(tmp_path):
    folder = make_folder(tmp_path / "f", extra_events=[(8, "card lost"), (9, "card answers")] * 200, **FEW)
    rows, left_out = event_rows(*told(folder))
    assert len(rows) == ROWS_MAX and left_out >= 250


def test_event_that_comes_again_and_again_is_told_once_with_how_often(tmp_path):
    pause = [(14, "flight phase 0 (0 ground)")] * 70
    folder = make_folder(
        tmp_path / "f",
        extra_events=[*[(7, "card write failed at sector 3")] * 6, *pause, (7, "card write failed")],
        **FEW,
    )
    rows = [row for row in event_rows(*told(folder))[0] if row["name"] == "card error"]
    assert [row["again"] for row in rows] == ["6 times, until 07:43:05 UTC", ""]  # a minute later it is new
    assert rows[0]["when"] == "07:43:00 UTC" and rows[0]["text"] == "card write failed at sector 3"


def test_sentence_about_a_chip_says_which_one(tmp_path):
    folder = make_folder(
        tmp_path / "f", extra_events=[(12, "chip stopped answering (status 5) after 1198 good readings")] * 5, **FEW
    )
    path = folder / "tables" / "event.parquet"
    table = pd.read_parquet(path)
    lost = table.index[table["code"] == 12]
    table.loc[lost, "source"] = ["temperature", "temperature", "power", "pressure", None]
    table.loc[lost, "unit"] = [1, 7, 0, 0, 0]
    table.to_parquet(path)
    stamp = {"boot": [41], "t_ms": [1095], "utc": [None]}
    pd.DataFrame(stamp | {"probe": ["inside <b>"], "number": [1]}).to_parquet(folder / "tables" / "probe.parquet")
    pd.DataFrame(stamp | {"channel": ["panel"], "number": [0]}).to_parquet(folder / "tables" / "channel.parquet")
    rows, _ = event_rows(*told(folder))
    assert [row["text"].split(" stopped ")[0] for row in rows if row["name"] == "chip lost"] == [
        "thermometer “inside <b>”", "thermometer", "current sensor “panel”", "barometer", "chip"]  # fmt: skip
    assert all("after 1,198 good readings" in row["text"] for row in rows if row["name"] == "chip lost")


def test_extremes_beyond_what_a_sensor_is_rated_for_say_so(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    before = {label: small for label, _, small in fact_rows(*told(folder))}
    assert not any("vouches" in small for small in before.values())
    table = pd.read_parquet(folder / "tables" / "temperature.parquet")
    coldest = table.loc[table["probe"] == "outside", "temperature_c"].idxmin()
    table.loc[coldest, "flags"] = "out_of_range"
    table.to_parquet(folder / "tables" / "temperature.parquet")
    flight = pd.read_parquet(folder / "flight.parquet")
    flight.loc[flight["pressure_altitude_m"] > 5000, "flags"] = "pressure_out_of_range"
    flight.to_parquet(folder / "flight.parquet")
    after = {label: small for label, _, small in fact_rows(*told(folder))}
    assert after["Coldest, outside"] == before["Coldest, outside"] + "; colder than its maker vouches for"
    assert after["Highest by pressure"].endswith("; thinner air than the barometer's maker vouches for")
    changed = {label for label in after if after[label] != before[label]}
    assert changed == {"Coldest, outside", "Highest by pressure"}


def test_truth_is_compared_where_there_is_one(flight, tmp_path):
    text = " ".join(truth_sentences(*flight))
    assert "really reached" in text and "Half of the GPS altitudes lie within" in text
    assert truth_sentences(*told(make_folder(tmp_path / "f", simulated=None, **FEW))) == []


@pytest.mark.parametrize(
    "milliseconds, words",
    [(400, "0.4 s"), (9000, "9 s"), (59_600, "1 min 00 s"), (200_000, "3 min 20 s"), (7_500_000, "2 h 05 min"),
     (3_599_700, "1 h 00 min"), (float("nan"), "not known")],
)  # fmt: skip
def test_lengths_of_time_in_words(milliseconds, words):
    assert duration_words(milliseconds) == words


def test_utc_is_read_to_the_millisecond_and_rubbish_is_unknown():
    got = utc_ms(pd.Series(["2031-05-17T07:42:10.123Z", None, "yesterday"], dtype=object))
    assert got[0] == 1936770130123.0 and np.isnan(got[1:]).all()


@pytest.mark.parametrize("origin", [(48.3, 67.4), (-41.0, 179.6), (69.0, -30.0)])
@pytest.mark.parametrize("azimuth", [0.0, 75.0, 200.0, 310.0])
@pytest.mark.parametrize("km", [0.2, 40.0, 150.0])
def test_local_plane_agrees_with_the_geodesic(origin, azimuth, km):
    """Against geographiclib (Karney, 2013, Algorithms for geodesics), whose distances are exact to nanometres."""
    there = Geodesic.WGS84.Direct(*origin, azimuth, km * 1000)
    distance, bearing = distance_and_bearing(there["lat2"], there["lon2"], *origin)
    assert distance == pytest.approx(km, rel=2e-4)
    assert abs((bearing - azimuth + 180) % 360 - 180) < 0.02


def test_local_plane_has_its_zero_at_the_origin():
    east, north = east_north_km(np.array([48.0, 48.1]), np.array([11.0, 11.0]), 48.0, 11.0)
    assert abs(east[0]) < 1e-12 and abs(north[0]) < 1e-12 and north[1] == pytest.approx(11.12, abs=0.01)


def test_extremes_among_the_facts_leave_suspect_readings_out(flight):
    small = {label: (value, note) for label, value, note in fact_rows(*flight)}
    assert "warmest" in small["Coldest, outside"][1] and "85" not in small["Coldest, outside"][1]


def test_slower_rhythm_of_two_probes_after_the_landing_is_no_pause(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "tables" / "temperature.parquet")
    late = (table["boot"] == 42) & (table["t_ms"] > 1_500_000)
    table[~late | (table["t_ms"] // 1000 % 10 == 0)].to_parquet(folder / "tables" / "temperature.parquet")
    loaded, timeline, _ = told(folder)
    pauses = {name: length for length, name, _, _ in longest_pauses(loaded, timeline, limit=9)}
    assert pauses["temperature"] == pytest.approx(14_000, abs=1500)  # the restart, and nothing after it


@pytest.mark.parametrize(("keeps", "source"), [("landed thinned", "GPS"), ("ascent thinned", "pressure")])
def test_a_box_that_lies_for_long_keeps_its_gps_heights_and_one_whose_receiver_failed_aloft_does_not(
    keeps, source, tmp_path
):
    folder = make_folder(tmp_path / "f", **(FEW | {"stay_s": 5000}))
    _, _, story = told(folder)
    table = pd.read_parquet(folder / "tables" / "fix.parquet")
    moment = utc_ms(table["utc"])
    if keeps == "landed thinned":
        thinned = moment > story.landing_ms  # 1 fix in 10 s, as the firmware has it after the landing
    else:
        thinned = (moment > story.launch_ms) & (moment < story.burst_ms)
    table[~thinned | (np.arange(len(table)) % 10 == 0)].to_parquet(folder / "tables" / "fix.parquet")
    assert told(folder)[2].height_source == source


def test_every_flag_of_the_decoder_is_explained_on_the_page():
    undeclared = {name for name in NAMES.values() if name.startswith("flag_")}
    assert set(NAMES.values()) - undeclared <= set(MEANINGS)

"""What the live views show of a run: newest values, ages, ranges, trends, and the verdict so far."""

import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from ground.bench.answers import Answers
from ground.bench.finding import NOT_CHECKED
from ground.bench.judge import judge
from ground.bench.live import TREND_POINTS, live_rows, live_state
from ground.bench.terminal import codes_line, finding_lines, open_line, sparkline, verdict_line, view
from tests.bench_checks.bench_runs import Run, run_bench


@pytest.fixture(scope="module")
def evidence():
    faults = ({"kind": "missing_chip", "chip": "inside", "at_us": 60_000_000},)
    return run_bench(Run(settings={"pressure_address": 0x76}, faults=faults))


@pytest.fixture(scope="module")
def rows(evidence):
    return {row.key: row for row in live_rows(evidence, since_poll_s=2.0)}


def test_newest_value_its_age_and_its_range(rows, evidence):
    times, volts = evidence.series("power", "bus_v", channel="panel")
    row = rows["panel_v"]
    assert row.value == volts[-1]
    assert row.age_s == pytest.approx((evidence.last_ms - times[-1]) / 1000 + 2.0)
    minute = volts[times >= evidence.last_ms - 60_000]
    assert (row.low, row.high) == (minute.min(), minute.max())


def test_part_that_never_spoke_has_no_value_and_one_that_fell_silent_is_old(rows):
    assert rows["pressure"].value is None and rows["pressure"].shown(None) == "–"
    assert rows["inside"].is_old and rows["inside"].age_s > 50
    assert not rows["outside"].is_old


def test_trend_keeps_the_extremes_of_the_minute(rows, evidence):
    times, milliamps = evidence.series("power", "current_ma", channel="panel")
    minute = milliamps[times >= evidence.last_ms - 60_000]
    trend = rows["panel_ma"].trend
    assert len(trend) <= TREND_POINTS < len(minute)
    assert {min(value for _, value in trend), max(value for _, value in trend)} == {minute.min(), minute.max()}
    assert [before for before, _ in trend] == sorted((before for before, _ in trend), reverse=True)


def test_sparkline_rises_with_the_reading_and_is_blank_where_there_was_none():
    rising = tuple((60.0 - n, float(n)) for n in range(30))  # the older half of the minute
    line = sparkline(rising, width=10)
    assert len(set(line[:5])) == 5 and list(line[:5]) == sorted(line[:5])
    assert line[5:] == " " * 5


def test_still_reading_looks_still():
    steady = tuple((float(n), 20.0 + 0.06 * (n % 2)) for n in range(60, 0, -1))
    assert len(set(sparkline(steady, span_min=0.5))) <= 2
    assert set(sparkline(tuple((float(n), 5.0) for n in range(60, 0, -1)), span_min=0.5)) <= {"▄", "▅"}


@pytest.mark.parametrize("width", [80, 130])
def test_terminal_view_fits_the_terminal_and_names_the_reasons(evidence, width):
    console = Console(width=width, record=True, file=io.StringIO())
    console.print(view(live_rows(evidence), judge(evidence), "Bench, 12 s to go", "Ctrl-C ends early.", width))
    text = console.export_text()
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text and "..." not in text
    for piece in ("panel volts", "none yet", "old", "NO-GO", "barometer answers", "What to do:", "12 s to go"):
        assert piece in text


def test_end_of_a_session_tells_each_reason_with_what_to_do(evidence):
    lines = finding_lines(judge(evidence))
    assert sum(line.startswith("NO-GO") for line in lines) == 2
    assert sum("What to do:" in line for line in lines) == 2
    last = verdict_line(judge(evidence))
    assert last.startswith("NO-GO: 2 reasons against it") and last.endswith("then run it again.")


def test_what_was_not_checked_takes_one_line_what_can_be_done_first(evidence):
    judgement = judge(replace(evidence, answers=Answers(), simulated=True))
    left_out = {one.name: one for one in judgement.of(NOT_CHECKED)}
    line = open_line(judgement, "bench/bench.html")
    names = re.fullmatch(r"Not checked: (.*)\. bench/bench.html says how to\.", line)[1].split(", ")
    assert sorted(names) == sorted(left_out) and len(names) > 5
    doable = [bool(left_out[name].do) for name in names]
    assert doable == sorted(doable, reverse=True) and not doable[-1]
    assert open_line(replace(judgement, findings=()), "bench/bench.html") is None


def test_codes_that_the_settings_lack_are_told_as_they_are_written_there():
    sensors = {"outside": "ds18b20:28e900bbde61c522", "inside": "tmp117:0a0b0c", "pressure": "ms5611:6232d0d3"}
    lacking = {"probe_outside_rom": "", "probe_inside_rom": ""}
    assert 'yet: probe_outside_rom = "28e900bbde61c522".' in codes_line(sensors, lacking)
    sensors["inside"] = "ds18b20:28f05e679d54439d"
    assert 'probe_inside_rom = "28f05e679d54439d"' in codes_line(sensors, lacking)
    assert codes_line(sensors, {"probe_outside_rom": "28aa", "probe_inside_rom": "28bb"}) is None
    assert codes_line({}, lacking) is None


def test_state_of_the_page_is_plain_json_without_holes(evidence):
    state = live_state(evidence, judge(evidence), 0.1, "12 s to go")
    again = json.loads(json.dumps(state, allow_nan=False))
    assert again["verdict"] == "NO-GO" and {one["name"] for one in again["findings"]} == {
        "barometer answers", "inside thermometer answers",
    }  # fmt: skip
    assert all(row["text"] for row in again["rows"])


def test_state_of_the_page_says_whether_the_board_is_simulated(evidence):
    told = [live_state(replace(evidence, simulated=one), judge(evidence))["simulated"] for one in (True, False)]
    assert told == [True, False]


def test_first_seconds_give_no_verdict(evidence):
    """A part that has not begun to speak is no fault of it yet."""
    first = replace(evidence, tables={
        name: table.take(np.flatnonzero(table["t_ms"] < 4000)) for name, table in evidence.tables.items()
    })  # fmt: skip
    state = live_state(first, judge(first))
    assert state["verdict"] == "" and state["findings"] == [] and "Listening" in state["sentence"]
    assert any(row["value"] is not None for row in state["rows"])
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(view(live_rows(first), None, "Bench", "", 100))
    assert "Listening" in console.export_text() and "NO-GO" not in console.export_text()


def test_board_that_has_said_nothing_yet_is_no_fault_of_the_view(evidence):
    nothing = replace(evidence, tables={})
    rows = live_rows(nothing)
    assert all(row.value is None and row.trend == () for row in rows)
    assert np.isfinite(live_state(nothing, judge(nothing))["board_s"])

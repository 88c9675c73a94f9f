"""Cold runs judged from their log: what a freezer shows, and what it must not be taken for.

A run of five minutes is stretched to two and a half hours: every time in its tables times thirty, as a board with
periods thirty times as long would have written them.
"""

from dataclasses import replace

import numpy as np
import pytest

from ground.bench.cold import judge_cold
from ground.bench.finding import NO_GO, NOT_CHECKED, WARNING
from ground.settings import Settings
from tests.bench_checks.bench_runs import Run, run_bench

STRETCH = 30
PERIODS = {"pressure_period_ms": 3000, "temperature_period_ms": 30_000, "panel_period_ms": 6000,
           "health_period_ms": 60_000}  # fmt: skip
GOOD = {"frames_ok": 100_000, "frames_missing": 0, "frames_bad": 0,
        "boots": [{"clock_rate_ppm": 12.0, "utc_basis": "fixes"}]}  # fmt: skip


def _cooling(start_c, end_c, tau_s):
    return lambda seconds, _: end_c + (start_c - end_c) * np.exp(-seconds / tau_s)


FREEZER = {
    "probe_outside_c": _cooling(20.0, -19.0, 30.0),
    "probe_inside_c": _cooling(21.0, -13.0, 60.0),
    "battery_v": _cooling(5.05, 4.55, 100.0),
}


@pytest.fixture(scope="module")
def log():
    return _stretched(run_bench(Run(columns=FREEZER, run_s=300.0)))


def _stretched(evidence):
    tables = {
        name: replace(table, columns=table.columns | {"t_ms": table["t_ms"] * STRETCH})
        for name, table in evidence.tables.items()
    }
    return replace(evidence, tables=tables, settings=Settings(**PERIODS))


def _said(judgement):
    return {one.name: one.verdict for one in judgement.of(NO_GO, WARNING)}


def _without(evidence, table, keep):
    found = evidence.tables[table]
    return replace(evidence, tables=evidence.tables | {table: found.take(np.flatnonzero(keep(found)))})


def test_good_night_in_the_freezer_is_go(log):
    judgement = judge_cold(log, GOOD)
    assert judgement.is_go and _said(judgement) == {} and judgement.of(NOT_CHECKED) == []


def test_short_or_warm_run_proves_little(log):
    short = replace(log, tables={
        name: table.take(np.flatnonzero(table["t_ms"] < 3.6e6)) for name, table in log.tables.items()
    })  # fmt: skip
    assert _said(judge_cold(short, GOOD)) == {"long and cold enough": WARNING}
    warm = _stretched(run_bench(Run(columns=FREEZER | {"probe_outside_c": 4.0, "probe_inside_c": 8.0}, run_s=300.0)))
    assert _said(judge_cold(warm, GOOD)) == {"long and cold enough": WARNING}


def test_part_that_falls_silent_in_the_cold_is_named(log):
    hole = _without(log, "pressure", lambda table: (table["t_ms"] < 4e6) | (table["t_ms"] > 4.2e6))
    assert _said(judge_cold(hole, GOOD)) == {"gaps of the barometer": NO_GO}
    ended = _without(log, "power", lambda table: table["t_ms"] < 5e6)
    assert _said(judge_cold(ended, GOOD)) == {"gaps of the panel's current sensor": NO_GO}


def test_probe_that_never_speaks_is_a_gap(log):
    mute = _without(log, "temperature", lambda table: ~table["probe"].is_word("inside"))
    assert _said(judge_cold(mute, GOOD)) == {"gaps of the inside thermometer": NO_GO}


def test_battery_that_gives_way_in_the_cold_is_no_go():
    weak = _stretched(run_bench(Run(columns=FREEZER | {"battery_v": _cooling(5.05, 3.7, 60.0)}, run_s=300.0)))
    assert _said(judge_cold(weak, GOOD)) == {"battery in the cold": NO_GO}


def test_log_of_a_flight_is_not_taken_for_a_night_in_the_freezer(log):
    pressure = log.tables["pressure"]
    climbed = replace(pressure, columns=pressure.columns | {"pressure_hpa": np.linspace(968.0, 11.0, len(pressure))})
    said = judge_cold(replace(log, tables=log.tables | {"pressure": climbed}), GOOD)
    assert _said(said) == {"a run on the ground": NO_GO}
    assert said.findings[0].measured == "pressure from 958 down to 21 hPa"
    storm = replace(pressure, columns=pressure.columns | {"pressure_hpa": np.linspace(968.0, 928.0, len(pressure))})
    assert _said(judge_cold(replace(log, tables=log.tables | {"pressure": storm}), GOOD)) == {}


def test_flight_beside_the_night_is_named(log):
    said = judge_cold(log, GOOD, ["TD000004.LOG"])
    assert _said(said) == {"flights on the card": WARNING} and said.is_go
    assert "TD000004.LOG" in said.findings[0].measured and "image of the whole card" in said.findings[0].do


def test_restart_is_no_go_and_its_cause_is_told(log):
    boots = log.tables["boot"]
    number = np.where(np.arange(len(boots)) < len(boots) // 2, 1, 2)
    cause = np.where(number == 2, 2, 1)
    restarted = replace(
        log, tables=log.tables | {"boot": replace(boots, columns=boots.columns | {"boot": number, "cause": cause})}
    )
    said = judge_cold(restarted, GOOD)
    assert _said(said)["restarts"] == NO_GO
    assert "1 by the board itself" in next(one.measured for one in said.findings if one.name == "restarts")


def test_lost_records_and_a_drifting_clock_are_told(log):
    assert _said(judge_cold(log, GOOD | {"frames_missing": 300})) == {"records on the card": WARNING}
    assert _said(judge_cold(log, GOOD | {"frames_missing": 3000})) == {"records on the card": NO_GO}
    drift = GOOD | {"boots": [{"clock_rate_ppm": -900.0, "utc_basis": "fixes"}]}
    assert _said(judge_cold(log, drift)) == {"clock in the cold": WARNING}


def test_without_sky_the_clock_is_left_out_and_not_praised(log):
    blind = judge_cold(log, GOOD | {"boots": [{"clock_rate_ppm": None, "utc_basis": None}]})
    assert [one.name for one in blind.of(NOT_CHECKED)] == ["clock in the cold"]


def test_inside_colder_than_outside_cannot_be():
    swapped = {"probe_outside_c": FREEZER["probe_inside_c"], "probe_inside_c": FREEZER["probe_outside_c"]}
    log = _stretched(run_bench(Run(columns=FREEZER | swapped, run_s=300.0)))
    assert _said(judge_cold(log, GOOD)) == {"thermometers in the cold": WARNING}


def test_box_that_warms_up_again_in_its_bag_has_no_swapped_thermometers():
    def out_again(cold, warm_c, tau_s):
        def change(seconds, before):
            last = cold(np.minimum(seconds, 240.0), before)
            return last + (warm_c - last) * (1.0 - np.exp(-np.maximum(seconds - 240.0, 0.0) / tau_s))

        return change

    warmed = {"probe_outside_c": out_again(FREEZER["probe_outside_c"], 20.0, 5.0),
              "probe_inside_c": out_again(FREEZER["probe_inside_c"], 21.0, 60.0)}  # fmt: skip
    assert _said(judge_cold(_stretched(run_bench(Run(columns=FREEZER | warmed, run_s=300.0))), GOOD)) == {}


def test_thermometers_that_never_settle_are_not_compared():
    falling = {"probe_outside_c": lambda seconds, _: 20.0 - 0.15 * seconds,
               "probe_inside_c": lambda seconds, _: 10.0 - 0.15 * seconds}  # fmt: skip
    judgement = judge_cold(_stretched(run_bench(Run(columns=FREEZER | falling, run_s=300.0))), GOOD)
    assert [one.name for one in judgement.of(NOT_CHECKED)] == ["thermometers in the cold"]


def test_landed_box_measures_ten_times_as_seldom_and_that_is_no_gap(log):
    events = log.tables["event"]
    row = int(np.flatnonzero(events["name"].is_word("phase"))[0])
    sparse = _without(log, "pressure", lambda table: (table["t_ms"] < 4e6) | (table["t_ms"] > 4.2e6))

    def told(phase, at_ms):
        places = np.arange(len(events)) == row
        changed = {"a": np.where(places, phase, events["a"]), "t_ms": np.where(places, at_ms, events["t_ms"])}
        return replace(sparse, tables=sparse.tables | {"event": replace(events, columns=events.columns | changed)})

    assert _said(judge_cold(told(3, 3.9e6), GOOD)) == {}
    assert _said(judge_cold(told(2, 3.9e6), GOOD)) == {"gaps of the barometer": NO_GO}
    assert _said(judge_cold(told(3, 4.3e6), GOOD)) == {"gaps of the barometer": NO_GO}


def test_slow_card_in_the_cold_is_told(log):
    health = log.tables["health"]
    writes = np.where(np.arange(len(health)) == 20, 900, health["card_write_max_ms"])
    slow = replace(health, columns=health.columns | {"card_write_max_ms": writes})
    assert _said(judge_cold(replace(log, tables=log.tables | {"health": slow}), GOOD)) == {"card in the cold": NO_GO}

"""One strictly rising UTC line over midnight, New Year, a wrap of the tick and a power cut, in real flights.

The board stands on the ground and waits: it begins a minute before the year ends, its millisecond tick wraps a minute
and a half after each power-up, and the supply is away for five seconds in the middle.
"""

import json
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest

from ground.simulator.scenario import load_scenario
from tests.journeys.flights import fly_and_decode
from tests.journeys.gnss_matrix import RESET_TO_MAIN_MS, SCENARIO, moments

TICKS_PERIOD = 1 << 30  # of ticks_ms on boards with 31-bit small integers
WRAP_AFTER_MS = 90_000
CUT_S, AWAY_S, END_S = 200.0, 5.0, 420.0
YEAR_END = datetime(2028, 1, 1, tzinfo=UTC)
SETTINGS = {"log_size_mib": 8, "pressure_period_ms": 250, "panel_period_ms": 2000}


@pytest.fixture(scope="module", params=["m8", "m10", "nmea_only"])
def flown(request, tmp_path_factory):
    scenario = load_scenario(SCENARIO)
    launch = scenario.launch.model_copy(update={"utc": YEAR_END + timedelta(seconds=540), "wait_s": 600.0})
    gnss = scenario.gnss.model_copy(update={"generation": request.param})
    return fly_and_decode(
        tmp_path_factory.mktemp("year") / request.param,
        scenario.model_copy(update={"launch": launch, "gnss": gnss}),
        settings=SETTINGS,
        faults=[{"kind": "power_cut", "at_us": int(CUT_S * 1e6), "for_us": int(AWAY_S * 1e6)}],
        ticks_start_ms=TICKS_PERIOD - WRAP_AFTER_MS,
        stop_after_s=END_S,
    )


def test_every_table_rises_strictly_in_each_boot_and_from_boot_to_boot(flown):
    for name in ("pressure", "fix", "health", "temperature", "power"):
        table = flown.table(name)
        utc = moments(table["utc"])
        keys = table["boot"] if name != "temperature" else list(zip(table["boot"], table["probe"], strict=True))
        for key in sorted(set(keys)):
            assert (np.diff(utc[[own == key for own in keys]]) > 0).all(), (name, key)
        boots = np.array(table["boot"])
        assert set(boots) == {1, 2}
        assert utc[boots == 1].max() + AWAY_S * 1000 < utc[boots == 2].min()
    seconds = moments(flown.flight_table()["utc"])
    assert (np.diff(seconds) >= 1000).all()


def test_stamps_are_true_within_the_stated_uncertainty(flown):
    boots = json.loads((flown.folder / "integrity.json").read_text())["boots"]
    begun_ms = [boot["start_us"] / 1000.0 + RESET_TO_MAIN_MS for boot in flown.flight.boots]
    world_ms = (YEAR_END - timedelta(seconds=60)).timestamp() * 1000.0
    table = flown.table("pressure")
    number, t_ms, utc = np.array(table["boot"]), np.array(table["t_ms"]), moments(table["utc"])
    for boot, begin in zip(boots, begun_ms, strict=True):
        own = number == boot["boot"]
        error = np.abs(utc[own] - (world_ms + begin + t_ms[own])).max()
        assert error < boot["utc_uncertainty_ms"] < 1000
        assert boot["utc_basis"] == "gps" and not boot["gnss_times_refused"]


def test_ticks_wrap_and_the_time_since_boot_does_not(flown):
    table = flown.table("pressure")
    for number in (1, 2):
        t_ms = [t for boot, t in zip(table["boot"], table["t_ms"], strict=True) if boot == number]
        assert t_ms[0] < 3000 and t_ms[-1] > WRAP_AFTER_MS + 60_000
        assert all(0 < b - a <= 600 for a, b in pairwise(t_ms))


def test_receivers_dates_go_on_over_the_new_year(flown):
    table = flown.table("fix")
    said = [text for text in table["gnss_utc"] if text]
    assert said[0].startswith("2027-12-31T23:59") and said[-1].startswith("2028-01-01T00:0")
    assert (np.diff(moments(said)) > 0).all()
    known = np.array([text is not None for text in table["gnss_utc"]])
    off = moments(table["gnss_utc"])[known] - moments(table["utc"])[known]
    assert np.abs(off).max() < 1000

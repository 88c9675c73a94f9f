"""Which power-ups of a log are the night in the freezer, and which are evenings on the table or a flight."""

import numpy as np
import pytest

from ground.bench.cold_choice import boots_of, choose_run, coldest_c, hours
from ground.bench.evidence import Evidence
from ground.decode.table import Table, words

ROOM, FREEZER, HOUR_MS = 21.0, -18.0, 3.6e6
POWER, WATCHDOG = 1, 2


def _boot(begin_c, end_c, long_h=1.0, cause=POWER, top_hpa=968.0):
    """One power-up: first and last temperature (None: it said nothing), hours, cause, pressure at its end."""
    return begin_c, end_c, long_h, cause, top_hpa


NIGHT = [_boot(ROOM, FREEZER, 8.0), _boot(FREEZER, ROOM, 1.0, WATCHDOG)]
FLIGHT = _boot(ROOM, -40.0, 2.5, POWER, 11.0)


def _log(*boots):
    """Evidence and account of power-ups 1, 2, ..."""
    rows = {"temperature": [], "pressure": [], "boot": []}
    for number, (begin_c, end_c, long_h, cause, top_hpa) in enumerate(boots, 1):
        times = np.linspace(0.0, long_h * HOUR_MS, 11)
        rows["boot"].append((number, 0.0, cause))
        rows["pressure"] += zip([number] * 11, times, np.linspace(968.0, top_hpa, 11), strict=True)
        if begin_c is not None:
            for warmer_c in (0.0, 2.0):
                values = np.linspace(begin_c, end_c, 11) + warmer_c
                rows["temperature"] += zip([number] * 11, times, values, strict=True)
    names = {"temperature": "temperature_c", "pressure": "pressure_hpa", "boot": "cause"}
    tables = {}
    for name, lines in rows.items():
        columns = dict(zip(("boot", "t_ms", names[name]), np.array(lines, dtype=float).reshape(-1, 3).T, strict=True))
        columns["flags"] = words([None] * len(lines))
        if name == "temperature":
            columns["probe"] = words((["outside"] * 11 + ["inside"] * 11) * (len(lines) // 22))
        tables[name] = Table(name, columns)
    accounts = [{"boot": n, "frames": 1000 * n, "frames_missing": n} for n in range(1, len(boots) + 1)]
    return Evidence(tables), {"boots": accounts, "frames_ok": -1, "frames_missing": -1, "frames_bad": 3}


def _chosen(*boots):
    evidence, _, flights = choose_run(*_log(*boots))
    return [int(boot) for boot in boots_of(evidence)], flights


@pytest.mark.parametrize("before", [1, 4])
def test_evenings_on_the_table_are_no_part_of_the_night(before):
    assert _chosen(*[_boot(ROOM, ROOM, 12.0)] * before, *NIGHT) == ([before + 1, before + 2], [])


def test_box_that_is_switched_on_again_in_the_room_has_not_restarted():
    assert _chosen(_boot(ROOM, FREEZER, 8.0), _boot(ROOM, ROOM, 0.1)) == ([1], [])


def test_power_lost_in_the_cold_is_a_restart_of_the_night():
    assert _chosen(_boot(ROOM, FREEZER, 4.0), _boot(FREEZER, FREEZER, 4.0)) == ([1, 2], [])
    dying = [_boot(ROOM, FREEZER, 4.0), _boot(None, None, 0.01), _boot(FREEZER, ROOM, 4.0)]
    assert _chosen(*dying) == ([1, 2, 3], [])


def test_restart_of_the_boards_own_is_one_wherever_the_box_is():
    assert _chosen(_boot(ROOM, ROOM, 1.0), _boot(ROOM, FREEZER, 8.0, WATCHDOG)) == ([1, 2], [])


def test_newest_night_is_judged_and_without_one_the_longest_run():
    assert _chosen(*NIGHT, _boot(ROOM, FREEZER, 3.0), _boot(ROOM, ROOM, 20.0)) == ([3], [])
    assert _chosen(_boot(ROOM, ROOM, 1.0), _boot(ROOM, 4.0, 3.0), _boot(ROOM, ROOM, 2.0)) == ([2], [])
    assert _chosen(_boot(None, None, 1.0), _boot(None, None, 3.0)) == ([2], [])


def test_flight_in_the_same_log_is_named_and_not_judged():
    assert _chosen(*NIGHT, FLIGHT) == ([1, 2], ["power-up 3 of this log"])
    assert _chosen(FLIGHT, _boot(-40.0, 10.0, 1.0, POWER, 11.0), *NIGHT) == ([3, 4], ["power-ups 1 to 2 of this log"])
    assert _chosen(FLIGHT) == ([1], [])
    assert _chosen(_boot(ROOM, ROOM), FLIGHT) == ([1], ["power-up 2 of this log"])


def test_account_is_that_of_the_night():
    evidence, account, _ = choose_run(*_log(_boot(ROOM, ROOM), *NIGHT))
    assert (account["frames_ok"], account["frames_missing"], account["frames_bad"]) == (5000, 5, 3)
    assert [one["boot"] for one in account["boots"]] == [2, 3]
    assert hours(evidence) == pytest.approx(9.0) and coldest_c(evidence) == FREEZER


def test_log_of_one_run_is_left_as_it_is():
    evidence, account = _log(*NIGHT)
    assert choose_run(evidence, account) == (evidence, account, [])

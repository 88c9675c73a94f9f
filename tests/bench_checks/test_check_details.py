"""What the simulated bench does not show: this computer's clock, a lying card, a leak, a restart; limits of checks."""

from dataclasses import replace

import numpy as np
import pytest

from ground.bench.evidence import Evidence
from ground.bench.finding import NO_GO, NOT_CHECKED, OK, WARNING, Finding
from ground.bench.judge import judge
from ground.bench.parts import SILENT, find_parts
from ground.decode.table import words
from tests.bench_checks.bench_runs import Run, run_bench


@pytest.fixture(scope="module")
def healthy():
    return run_bench()


def _finding(evidence, name):
    return next(one for one in judge(evidence).findings if one.name == name)


def _with_column(evidence, table, column, change):
    found = evidence.tables[table]
    changed = replace(found, columns=found.columns | {column: change(np.asarray(found[column]))})
    return replace(evidence, tables=evidence.tables | {table: changed})


def _beside_a_computer(evidence, ppm=0.0, off_s=0.0, jitter_s=0.004):
    """As from a real board, with moments of this computer's clock; seeded jitter of the line."""
    utc, t_ms = evidence.column("fix", "gnss_utc"), evidence.column("fix", "t_ms")
    last = np.flatnonzero(np.isfinite(utc))[-1]
    rng = np.random.default_rng(7)
    times = np.arange(1000, evidence.last_ms, 1000)
    moments = (
        utc[last] / 1000 - off_s + (times - t_ms[last]) / 1000 * (1 + ppm * 1e-6) + rng.uniform(0, jitter_s, len(times))
    )
    return replace(evidence, simulated=False, host=list(zip(moments.tolist(), times.tolist(), strict=True)))


def test_crystal_is_within_its_limits_and_a_bad_one_is_not(healthy):
    name = "clock against this computer"
    assert _finding(_beside_a_computer(healthy, 40.0), name).verdict == OK
    slow = _finding(_beside_a_computer(healthy, 900.0), name)
    assert slow.verdict == WARNING and "slow" in slow.measured and slow.value == pytest.approx(900.0, abs=30.0)
    assert _finding(_beside_a_computer(healthy, -6000.0), name).verdict == NO_GO


def test_code_of_a_thermometer_is_told_whether_the_settings_have_it_or_not(healthy):
    code = healthy.settings.probe_outside_rom
    lacking = replace(healthy, settings=healthy.settings.model_copy(update={"probe_outside_rom": ""}))
    for evidence, expected in ((healthy, f"code {code}"), (lacking, "whichever is found")):
        found = _finding(evidence, "outside thermometer answers")
        assert found.measured.endswith(f"readings, code {code}") and found.expected == f"DS18B20, {expected}"


def test_restart_of_the_board_does_not_spoil_the_comparison(healthy):
    evidence = _beside_a_computer(healthy, 20.0)
    first = evidence.host[0][0]
    before = [(first - 500.0 + n, 900_000 + 1000 * n) for n in range(100)]
    assert _finding(replace(evidence, host=before + evidence.host), "clock against this computer").verdict == OK


@pytest.mark.parametrize(
    ("off_s", "verdict", "word"),
    [
        (0.3, OK, "agree"),
        (18.0, WARNING, "leap seconds"),
        (-1024 * 604800.0, WARNING, "1024 weeks"),
        (300.0, WARNING, "wrong"),
    ],
)
def test_receivers_time_is_held_against_this_computers(healthy, off_s, verdict, word):
    one = _finding(_beside_a_computer(healthy, off_s=off_s), "receiver's time")
    assert one.verdict == verdict and word in one.why


def _card_test(evidence, **changes):
    reply = {"sectors": 64, "status": "done", "sectors_good": 64, "write_max_us": 20_000, "write_mean_us": 5000,
             "read_max_us": 3000}  # fmt: skip
    return replace(evidence, replies={"card_test": reply | changes})


def test_card_that_keeps_what_it_is_given_passes_and_one_that_lies_does_not(healthy):
    name = "card write and read-back"
    assert "64 more read back the same" in _finding(_card_test(healthy), name).measured
    lying = _finding(_card_test(healthy, sectors_good=60, status="failed"), name)
    assert lying.verdict == NO_GO and "not what was written" in lying.measured
    assert (
        _finding(_card_test(healthy, status="missing", sectors_good=0), name).verdict == OK
    )  # the log's own read-back


def test_worst_write_of_the_card_test_counts(healthy):
    assert _finding(_card_test(healthy, write_max_us=230_000), "worst write to the card").verdict == WARNING
    assert _finding(_card_test(healthy, write_max_us=400_000), "worst write to the card").verdict == NO_GO


def _with_event(evidence, name, a=0, b=0):
    """One more event at the end of the run."""
    table = evidence.tables["event"]
    last = table.take(np.append(np.arange(len(table)), len(table) - 1))
    names = [*last["name"].to_list()[:-1], name]
    columns = last.columns | {"name": words(names)}
    for column, value in (("a", a), ("b", b)):
        columns[column] = np.append(last[column][:-1], value)
    return replace(evidence, tables=evidence.tables | {"event": replace(last, columns=columns)})


def test_second_copy_that_fails_or_is_short_is_a_warning(healthy):
    name = "second copy in flash"
    assert _finding(healthy, name).verdict == OK
    assert _finding(_with_event(healthy, "copy_error", 5, 12), name).verdict == WARNING
    short = _finding(_with_event(healthy, "copy_small", 320, 960), name)
    assert short.verdict == WARNING and "320 KiB" in short.measured
    none = replace(healthy, settings=healthy.settings.model_copy(update={"copy_size_kib": 0}))
    assert _finding(none, name).verdict == NOT_CHECKED


def test_mode_read_back_now_counts_more_than_what_was_said_at_the_start(healthy):
    reply = {"status": "done", "wanted": 6, "read_back": 0, "confirmed": 0, "protocol": 1800}
    one = _finding(replace(healthy, replies={"airborne": reply}), "airborne mode")
    assert one.verdict == NO_GO and "reads back model 0" in one.measured
    asked_in_vain = reply | {"read_back": -1}
    assert _finding(replace(healthy, replies={"airborne": asked_in_vain}), "airborne mode").verdict == OK


def test_memory_that_falls_is_told_before_it_is_gone(healthy):
    falling = _with_column(healthy, "health", "heap_free_bytes", lambda free: free - 300 * np.arange(len(free)))
    assert _finding(falling, "free memory").verdict == WARNING
    assert _finding(healthy, "free memory").verdict == OK


def test_start_by_the_watchdog_is_a_warning(healthy):
    restarted = _with_column(healthy, "boot", "cause", lambda cause: cause * 0 + 2)
    assert _finding(restarted, "reason of the last start").verdict == WARNING


def test_slow_loop_that_waited_for_the_card_is_the_cards_fault(healthy):
    both = healthy
    for column in ("loop_max_ms", "card_write_max_ms"):
        both = _with_column(both, "health", column, lambda ms: np.where(np.arange(len(ms)) == 9, 400, ms))
    assert _finding(both, "loop time").verdict == NOT_CHECKED
    assert _finding(both, "worst write to the card").verdict == NO_GO


def test_nothing_heard_yet_is_no_go_for_nothing_and_go_for_nothing():
    """Before the first frame every part is silent; what cannot be judged says so, and no check breaks."""
    empty = Evidence({})
    assert {part.state for part in find_parts(empty).values()} == {SILENT}
    judgement = judge(empty)
    assert judgement.of(OK) == []
    assert not judgement.is_go


def test_finding_without_advice_is_refused():
    with pytest.raises(ValueError, match="must say why and what to do"):
        Finding("card", "card", NO_GO, "x", "y")
    with pytest.raises(ValueError, match="none of"):
        Finding("card", "card", "perhaps")


def _scanned(evidence, *addresses, status="done"):
    words = [sum(1 << (address & 31) for address in addresses if address >> 5 == n) for n in range(4)]
    reply = dict(zip(("at_00", "at_20", "at_40", "at_60"), (word - (word >> 31 << 32) for word in words), strict=True))
    return replace(evidence, replies=evidence.replies | {"bus_scan": reply | {"status": status, "t_ms": 0}})


def test_what_answers_at_an_address_that_the_settings_do_not_name_is_told_beside_what_does_not():
    silent = run_bench(Run(settings={"pressure_address": 0x76}))
    told = _finding(_scanned(silent, 0x40, 0x5F), "barometer answers").measured
    assert told == "nothing answers at 0x76; something does at 0x5F, of which the settings know nothing"
    failed = _scanned(silent, 0x40, 0x5F, status="failed")
    for evidence in (_scanned(silent, 0x40), failed, replace(silent, replies={})):
        assert _finding(evidence, "barometer answers").measured == "nothing answers at 0x76"


def test_chips_that_are_all_at_other_addresses_are_no_dead_bus():
    silent = run_bench(Run(settings={"pressure_address": 0x76, "panel_address": 0x41}))
    names = [one.name for one in judge(_scanned(silent, 0x40, 0x77)).of(NO_GO)]
    assert "I2C bus" not in names and {"barometer answers", "panel's current sensor answers"} <= set(names)
    assert "I2C bus" in [one.name for one in judge(_scanned(silent)).of(NO_GO)]

"""An hour of the soak, its faults dense, and that its way of looking would see a gap and a leak.

`python -m tests.bench.soak` soaks for 72 hours.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from ground.simulator.board.faults import KINDS
from shared_protocol import events
from tests.interpreters import micropython_path
from tests.simulator.boots import firmware
from tests.soak.soak_faults import KNOWN, cuts_at_writes, kinds_used, random_faults
from tests.soak.soak_gaps import STREAMS, accounted_s, gaps
from tests.soak.soak_run import heap_growth, soak
from tests.soak.soak_world import soak_world

SEED = 7
needs_micropython = pytest.mark.skipif(not micropython_path(), reason="heap and flash are those of MicroPython")


@needs_micropython
def test_an_hour_of_faults_leaves_no_gap_without_a_reason(tmp_path):
    summary = soak(tmp_path, 1.0, SEED, per_hour=40.0, cuts=(800, 2400, 3), settings={"log_size_mib": 1}, card_mib=64)
    assert summary.unexplained == []
    assert summary.task_errors == []
    assert summary.result.complaints() == []
    assert len(summary.gaps) > 20
    assert summary.missing_s < summary.accounted_s
    assert len(summary.result.boots) >= 3
    assert len(summary.recording.logs) >= 2  # one that the card's trouble made the firmware leave


def test_every_kind_of_fault_of_the_simulator_is_in_the_soak():
    assert set(KINDS) <= KNOWN
    for interface in ("block", "spi"):
        faults = random_faults(72 * 3600, SEED, per_hour=10.0, interface=interface)
        assert {fault["kind"] for fault in faults} == kinds_used(interface)
    assert kinds_used("spi") | {"power_cut_at_write", "power_cut_at_flash_write"} == set(KINDS)


def test_faults_of_one_part_leave_it_a_minute_of_peace():
    last_s = {}
    faults = random_faults(24 * 3600, SEED, per_hour=60.0, quiet_s=(3600.0, 7200.0))
    for fault in faults:
        at_s = fault["at_us"] / 1e6
        part = fault.get("chip") or fault["kind"].split("_")[0]
        assert at_s >= last_s.get(part, 0.0)
        last_s[part] = at_s + fault.get("for_us", 0) / 1e6 + 59.0
        assert not (fault["kind"] == "power_cut" and 3600 <= at_s < 7200)
    numbers = [cut["write"] for cut in cuts_at_writes(10, 10_000, 20, SEED)]
    assert numbers == sorted(numbers, reverse=True)


def test_world_of_a_soak_goes_on_where_the_flight_before_ended():
    world, _ = soak_world(6.0, SEED)
    altitude = np.asarray(world.columns["altitude_m"])
    assert len(altitude) == 6 * 3600 * 5
    assert world.facts["legs"] >= 3
    assert np.abs(np.diff(altitude)).max() < 30.0  # a fall of 100 m/s and more, in a fifth of a second
    assert np.abs(np.diff(world.columns["latitude_deg"])).max() < 0.001
    assert np.all(np.diff(np.flatnonzero(np.diff(world.columns["phase"]))) > 0)


class _Said:
    """A recording of readings at their pace, but for a hole in one stream."""

    def __init__(self, hole, name="pressure", said=()):
        self._hole, self._name, self.events, self.phases = hole, name, list(said), []

    def times(self, record, unit=()):
        stream = next(one for one in STREAMS if (one.record, one.unit) == (record, unit))
        times = np.arange(0.0, 600.0, stream.period_ms / 1000)
        if stream.name != self._name:
            return times
        return times[(times < self._hole[0]) | (times > self._hole[1])]


def reasons(recording, faults=(), boots=1):
    result = SimpleNamespace(duration_s=600.0, boots=[{"start_us": 0}, {"start_us": 302_000_000}][:boots])
    return [(gap.stream, gap.reason) for gap in gaps(recording, faults, result, 10)]


def test_a_hole_without_a_fault_is_unexplained_and_one_beside_its_fault_is_not():
    hole = (300.0, 310.0)
    fault = {"kind": "missing_chip", "at_us": 299_500_000, "for_us": 9_000_000}
    assert reasons(_Said((0.0, -1.0))) == []
    assert reasons(_Said(hole)) == [("pressure", "")]
    assert reasons(_Said(hole), [fault | {"chip": "pressure"}]) == [("pressure", "missing_chip")]
    assert reasons(_Said(hole), [fault | {"chip": "outside"}]) == [("pressure", "")]
    assert reasons(_Said(hole), [fault | {"chip": "pressure", "at_us": 200_000_000}]) == [("pressure", "")]
    assert reasons(_Said(hole), [{"kind": "receiver_restart", "at_us": 299_500_000}]) == [("pressure", "")]
    assert reasons(_Said(hole), boots=2) == [("pressure", "restart")]


def test_a_fault_or_a_restart_explains_a_while_after_it_and_no_more():
    fault = {"kind": "card_dies", "at_us": 299_500_000, "for_us": 9_000_000}
    lost = [(301.0, events.CARD_LOST, events.CARD, 0, 0, 0)]
    assert reasons(_Said((300.0, 325.0)), [fault]) == [("pressure", "card_dies")]
    assert reasons(_Said((300.0, 590.0)), [fault]) == [("pressure", "")]
    assert reasons(_Said((300.0, 590.0)), boots=2) == [("pressure", "")]
    assert reasons(_Said((300.0, 590.0), said=lost), [fault]) == [("pressure", f"event {events.CARD_LOST}")]
    assert reasons(_Said((0.0, 90.0))) == [("pressure", "")]  # power-up takes a minute at most


def test_a_card_that_was_said_to_be_lost_explains_holes_until_it_is_back():
    lost, back = (events.CARD_LOST, events.CARD, 0, 1, 0), (events.CARD_BACK, events.CARD, 0, 200, 0)
    hole = (300.0, 310.0)
    assert reasons(_Said(hole, said=[(120.0, *lost)])) == [("pressure", f"event {events.CARD_LOST}")]
    assert reasons(_Said(hole, said=[(120.0, *lost), (200.0, *back)])) == [("pressure", "")]
    assert reasons(_Said(hole, said=[(400.0, *back)])) == [("pressure", f"event {events.CARD_LOST}")]
    assert reasons(_Said(hole, said=[(520.0, *back)])) == [("pressure", "")]


def test_faults_account_for_their_time_and_a_restart_for_its_own():
    result = SimpleNamespace(duration_s=600.0, boots=[{"start_us": 0}])
    fault = {"kind": "missing_chip", "chip": "pressure", "at_us": 200_000_000, "for_us": 30_000_000}
    others = [fault | {"chip": "outside"}, {"kind": "receiver_restart", "at_us": 100_000_000}]
    assert accounted_s(others, result, "pressure") == 20
    assert accounted_s([*others, fault, fault], result, "pressure") == 20 + 50


def test_an_event_explains_a_hole_only_if_it_is_of_that_part_and_near():
    hole = (300.0, 310.0)
    lost = (events.CHIP_LOST, events.BAROMETER, 0, 0, 0)
    assert reasons(_Said(hole, said=[(301.0, *lost)])) == [("pressure", f"event {events.CHIP_LOST}")]
    assert reasons(_Said(hole, said=[(330.0, *lost)])) == [("pressure", "")]
    assert reasons(_Said(hole, "outside", said=[(301.0, *lost)])) == [("outside", "")]
    assert reasons(_Said(hole, said=[(301.0, events.SOUNDER_ON, events.SYSTEM, 0, 0, 0)])) == [("pressure", "")]


def test_a_landed_box_may_be_ten_times_slower_and_not_more():
    landed = [(200.0, events.PHASE, events.SYSTEM, 0, events.PHASE_LANDED, 0)]
    assert reasons(_Said((300.0, 304.0), said=landed)) == []
    assert reasons(_Said((300.0, 306.0), said=landed)) == [("pressure", "")]
    by_headers = _Said((300.0, 304.0))
    by_headers.phases = [(200.0, events.PHASE_LANDED)]
    assert reasons(by_headers) == []


def landed_readings(hole):
    """Temperatures each ten seconds of a box that lies there, without those in the hole."""
    said = _Said((0.0, -1.0), said=[(0.5, events.PHASE, events.SYSTEM, 0, events.PHASE_LANDED, 0)])
    paced = said.times

    def times(record, unit=()):
        seconds = np.arange(0.0, 600.0, 10.0)
        if record != "temperature":
            return paced(record, unit)
        return seconds[(seconds < hole[0]) | (seconds > hole[1])]

    said.times = times
    return said


def test_a_landed_boxs_first_missing_reading_is_what_a_card_fault_must_explain():
    fault = {"kind": "card_refuses", "at_us": 309_000_000, "for_us": 75_000_000}
    outside = ("outside", "card_refuses"), ("inside", "card_refuses")
    assert reasons(landed_readings((301.0, 385.0)), [fault]) == list(outside)  # the first one missing: 310 s
    assert reasons(landed_readings((291.0, 385.0)), [fault]) == list(outside)  # 300 s, which still was in memory
    assert [why for _, why in reasons(landed_readings((271.0, 385.0)), [fault])] == ["", ""]  # 280 s, which was not
    assert [why for _, why in reasons(landed_readings((301.0, 425.0)), [fault])] == ["", ""]  # long after it


@pytest.mark.parametrize(("takes_off_s", "expected"), [(300.0, []), (299.0, [("pressure", "")])])
def test_reading_with_which_a_box_takes_off_has_set_the_next_one_and_a_later_one_has_not(takes_off_s, expected):
    box = _Said((300.05, 304.0))
    box.phases = [(200.0, events.PHASE_LANDED), (takes_off_s, events.PHASE_ASCENDING)]
    assert reasons(box) == expected


@needs_micropython
@pytest.mark.parametrize("leak", [0, 100])
def test_heap_of_a_boot_shows_a_leak_and_is_flat_without_one(tmp_path, leak):
    from ground.simulator.flight import fly
    from tests.simulator.flights import scenario_with

    own = firmware(
        tmp_path,
        f"""
kept = []
while True:
    if {leak}:
        kept.append(bytes({leak}))
    waste = bytes(500)
    gc.collect()
    time.sleep_ms(1000)
""",
    )
    result = fly(scenario_with("calm"), tmp_path / "out", firmware_folder=own, stop_after_s=800.0, heap_every_s=100.0)
    used = [used for _, used in result.boots[0]["heap"]]
    assert len(used) == 7
    grown = used[-1] - used[1]
    assert grown > 400 * leak if leak else abs(grown) < 2000


def test_growth_is_told_of_long_boots_only():
    looks = [[600 * n, 500_000 + 1000 * n] for n in range(24)]
    assert heap_growth([{"heap": looks}, {"heap": looks[:5]}]) == [(4.0, 501_000, 518_000)]

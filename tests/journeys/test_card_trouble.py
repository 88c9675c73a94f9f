"""Trouble with the card in flight: sampling goes on, what is lost is what DEVELOPERS.md says, and each is an event.

The longest turn allowed is that of arming or resuming a log; nothing else holds the loop up.
"""

import itertools
import struct

import pytest

from firmware.core.boots import CAUSE_POWER, CAUSE_WATCHDOG
from shared_protocol import records
from tests.interpreters import micropython_path
from tests.journeys.card_trouble import AT_S, S, Trouble, fly_kind

pytestmark = pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")

TURN_MS_MAX = 250


def flown(tmp_path, kind):
    trouble = fly_kind(tmp_path, kind)
    assert trouble.flight.complaints() == []
    assert trouble.loop_ms_max() <= TURN_MS_MAX
    return trouble, {**trouble.card, **trouble.flash}


def test_card_pulled_for_two_seconds_costs_nothing(tmp_path):
    trouble, _ = flown(tmp_path, "pulled for 2 s")
    assert trouble.missing(trouble.card) == 0
    assert trouble.names().count("card_lost") == trouble.names().count("card_back") == 1


def test_while_the_card_is_out_every_reading_goes_to_flash_and_the_log_goes_on_when_it_is_back(tmp_path):
    trouble, both = flown(tmp_path, "pulled for 30 s")
    assert 20 <= trouble.lost_s(trouble.card) <= 35
    assert trouble.missing(both) == 0
    assert len([time for time in trouble.times(records.PRESSURE, both) if 62 <= time < 88]) >= 26 * 9
    assert {"card_lost", "copy_whole", "log_resumed", "card_back"} <= set(trouble.names())
    assert len(trouble.ids) == 1


def test_flight_without_a_card_is_in_flash_and_says_no_go(tmp_path):
    trouble, _ = flown(tmp_path, "never there")
    assert trouble.card == {}
    assert trouble.lost_s(trouble.flash) <= 16  # of the last sector, which was still being filled
    verdict = next((a, b) for _, name, a, b in trouble.events() if name == "self_test")
    assert verdict == (0, 1 << 1)  # NO-GO for the card
    assert "log_alone" in trouble.names()


def test_a_card_put_in_after_power_up_gets_the_log_that_flash_began(tmp_path):
    trouble, both = flown(tmp_path, "absent, put in at 60 s")
    assert len(trouble.ids) == 1
    assert trouble.lost_s(both) == 0
    assert len([time for time in trouble.times(records.PRESSURE, trouble.card) if time > 65]) > 750


def test_a_card_that_refuses_everything_is_replaced_by_flash_and_taken_again(tmp_path):
    trouble, both = flown(tmp_path, "write-protected for 30 s")
    assert trouble.lost_s(both) == 0
    assert {"card_error", "card_lost", "card_back"} <= set(trouble.names())
    assert trouble.lost_s(trouble.card) <= 35


@pytest.mark.parametrize("kind", ["busy 800 ms a block, 20 s", "busy 2 s with one block"])
def test_a_slow_card_is_not_waited_for_and_costs_nothing(tmp_path, kind):
    trouble, _ = flown(tmp_path, kind)
    assert trouble.missing(trouble.card) == 0
    assert trouble.loop_ms_max() <= 60
    assert "card_slow" in trouble.names()


def told(trouble):
    return [(name, a) for _, name, a, _ in trouble.events() if name in ("log_full", "card_full", "log_armed")]


def test_a_full_card_is_a_no_go_and_the_flight_is_in_flash(tmp_path):
    trouble, both = flown(tmp_path, "full at power-up")
    assert trouble.card == {} and trouble.lost_s(both) == 0
    assert told(trouble) == [("card_full", 0)]
    assert next((a, b) for _, name, a, b in trouble.events() if name == "self_test") == (0, 1 << 1)


def test_a_card_that_is_full_in_flight_is_named_and_the_rest_goes_to_flash_without_a_gap(tmp_path):
    trouble, both = flown(tmp_path, "full after 4 minutes")
    assert trouble.missing(both) == 0
    assert trouble.lost_s(trouble.card) > 100 and trouble.lost_s(both) == 0
    room = next(a for name, a in told(trouble))
    assert 240 < room < 290
    assert told(trouble) == [("card_full", room), ("log_armed", 1), ("log_full", 1), ("card_full", 0)]
    assert next((a, b) for _, name, a, b in trouble.events() if name == "self_test") == (0, 1 << 1)


def test_a_log_at_its_end_is_followed_by_the_next_if_the_card_has_room(tmp_path):
    trouble, _ = flown(tmp_path, "log at its end, room for another")
    assert trouble.missing(trouble.card) == 0 and len(trouble.ids) == 2
    assert told(trouble)[:2] == [("log_armed", 1), ("log_full", 1)]
    assert told(trouble)[3] == ("log_armed", 2)


def test_a_port_that_waits_for_two_seconds_with_each_block_measures_between_any_two_of_them(tmp_path):
    trouble = fly_kind(tmp_path, "port's driver, 2 s a block")
    assert [boot["reason"] for boot in trouble.flight.boots] == ["end_of_world"]
    assert trouble.loop_ms_max() < 2 * 2000  # one block, and what the turn would have taken anyway
    assert trouble.gap_s({**trouble.card, **trouble.flash}) < 3 * 2.1  # the log's search, verifying, one sector
    assert "card_slow" in trouble.names()


@pytest.mark.parametrize("interface", ["block", "spi"])
def test_arming_a_log_on_a_card_that_takes_two_seconds_for_each_block_is_no_reset(tmp_path, interface):
    trouble = Trouble(tmp_path, interface, [{"kind": "card_stalls", "at_us": 0, "busy_ms": 2000}], seconds=100)
    (boot,) = trouble.flight.boots
    assert boot["reason"] == "end_of_world"
    assert boot["watchdog_feed_longest_ms"] < 2500  # eight thousand are allowed
    assert trouble.flight.complaints() == []


def test_a_card_that_hangs_for_longer_than_the_watchdog_costs_a_restart_and_the_log_says_so(tmp_path):
    faults = [{"kind": "card_stalls", "at_us": AT_S * S, "for_us": S, "busy_ms": 10000}]
    trouble = Trouble(tmp_path, "block", faults, seconds=100)
    assert [boot["reason"] for boot in trouble.flight.boots] == ["watchdog", "end_of_world"]
    assert trouble.flight.complaints() == []
    restarted_s = trouble.flight.boots[1]["start_us"] / 1e6
    times = [
        trouble.flight.boots[boot - 1]["start_us"] / 1e6 + t_ms / 1000
        for boot, kind, _seq, t_ms in trouble.card
        if kind == records.PRESSURE
    ]
    hole = max(after - before for before, after in itertools.pairwise(sorted(times)))
    assert 8 < hole < 11 and min(time for time in times if time > restarted_s) < restarted_s + 2.5
    assert [a for _, name, a, _ in trouble.events() if name == "power_up"] == [CAUSE_POWER, CAUSE_WATCHDOG]
    assert "log_resumed" in trouble.names() and len(trouble.ids) == 1


def test_a_dead_stretch_of_the_card_is_left_behind_and_the_new_log_says_which_one_it_continues(tmp_path):
    trouble, both = flown(tmp_path, "60 dead sectors")
    assert trouble.lost_s(both) == 0
    assert trouble.lost_s(trouble.card) <= 10
    named = {payload for (_, kind, _, _), payload in both.items() if kind == records.CONTINUES}
    (before,) = struct.unpack("<I", named.pop())
    assert named == set() and before in trouble.ids and len(trouble.ids) == 2


def test_a_frame_in_both_copies_is_the_same_byte_for_byte(tmp_path):
    trouble, _ = flown(tmp_path, "none")
    assert trouble.missing(trouble.card) == 0
    assert len(trouble.flash) > 100
    assert all(trouble.card[key] == payload for key, payload in trouble.flash.items())
    per_window = {}
    for time in trouble.times(records.PRESSURE, trouble.flash):
        per_window[int(time // 5)] = per_window.get(int(time // 5), 0) + 1
    assert set(per_window.values()) == {1} and len(per_window) >= 25

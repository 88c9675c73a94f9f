"""LED and sounder patterns as a person sees and hears them."""

import pytest

from firmware.core import signals
from firmware.core.signals import GO, IN_FLIGHT, LANDED, NO_GO, TESTING, Signals, state_for
from shared_protocol import events


class Recorder:
    """A pin that writes down when it went on and off."""

    def __init__(self):
        self.now_ms = 0
        self.value = 0
        self.changes = []

    def __call__(self, value):
        if value != self.value:
            self.value = value
            self.changes.append((self.now_ms, value))


def watch(state, seconds):
    """When the LED and the sounder change in so many seconds of a state: two lists of (ms, value)."""
    led, sounder = Recorder(), Recorder()
    shown = Signals(led, sounder)
    shown.show(state, 0)
    now_ms = 0
    while now_ms < seconds * 1000:
        led.now_ms = sounder.now_ms = now_ms
        due_ms = shown.step(now_ms)
        assert now_ms < due_ms <= now_ms + 1000
        now_ms = due_ms
    return led.changes, sounder.changes


def test_go_is_a_flash_every_two_seconds_and_two_long_tones_once():
    led, sounder = watch(GO, 60)
    assert led[:4] == [(0, 1), (100, 0), (2000, 1), (2100, 0)]
    assert sounder == [(0, 1), (600, 0), (1000, 1), (1600, 0)]


def test_no_go_is_quick_flashing_and_six_short_tones_every_20_s():
    led, sounder = watch(NO_GO, 45)
    assert led[:4] == [(0, 1), (100, 0), (200, 1), (300, 0)]
    assert len([change for change in sounder if change[1] and change[0] < 19000]) == 6
    again = [at_ms for at_ms, value in sounder if value and 19000 < at_ms < 39000]
    assert len(again) == 6 and again[0] == 20000


def test_in_flight_the_sounder_is_silent():
    led, sounder = watch(IN_FLIGHT, 30)
    assert sounder == []
    assert len(led) == 12


def test_landed_sounds_every_five_seconds_for_as_long_as_it_takes():
    _led, sounder = watch(LANDED, 3600)
    assert [at_ms for at_ms, value in sounder if value] == list(range(0, 3600000, 5000))


def test_testing_is_a_steady_light():
    led, sounder = Recorder(), Recorder()
    shown = Signals(led, sounder)
    shown.step(0)
    assert led.changes == [(0, 1)] and sounder.changes == []


def test_a_board_without_led_and_sounder_is_no_error():
    shown = Signals(None, None)
    shown.show(NO_GO, 0)
    assert shown.step(0) == 1000


@pytest.mark.parametrize(
    "phase, tested, is_go, expected",
    [
        (events.PHASE_GROUND, False, False, TESTING),
        (events.PHASE_GROUND, True, True, GO),
        (events.PHASE_GROUND, True, False, NO_GO),
        (events.PHASE_ASCENDING, False, False, IN_FLIGHT),
        (events.PHASE_DESCENDING, True, False, IN_FLIGHT),
        (events.PHASE_LANDED, True, False, LANDED),
    ],
)
def test_the_phase_comes_before_the_verdict(phase, tested, is_go, expected):
    assert state_for(phase, tested, is_go) == expected


def test_every_state_has_its_patterns():
    assert len(signals._LED) == len(signals._SOUNDER) == len(signals._ONCE) == LANDED + 1

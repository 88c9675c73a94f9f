"""When equal readings count as a frozen chip, and when they are just a quiet one."""

import pytest

from firmware.core.freeze import BATTERY, BY_NOISE, MOVED_M, FreezeWatch
from shared_protocol import events


class Journal:
    altitude_m = None
    altitude_source = events.BAROMETER


@pytest.fixture
def journal():
    return Journal()


def test_noise_alone_gives_a_frozen_chip_away(journal):
    watch = FreezeWatch(journal, BY_NOISE, False)
    assert [watch.sees(7) for _ in range(BY_NOISE + 2)] == [0] * (BY_NOISE - 1) + [BY_NOISE, BY_NOISE + 1, BY_NOISE + 2]
    assert watch.sees(8) == 0


def test_one_other_word_begins_the_count_anew(journal):
    watch = FreezeWatch(journal, BY_NOISE, False)
    for _ in range(5):
        assert not any(watch.sees(7) for _ in range(BY_NOISE - 1))
        assert watch.sees(6) == 0


def test_of_two_words_both_have_to_stand_still(journal):
    watch = FreezeWatch(journal, BY_NOISE, False)
    assert not any(watch.sees(7, k & 1) for k in range(3 * BY_NOISE))


def test_a_word_at_rest_is_never_frozen(journal):
    journal.altitude_m = 400
    watch = FreezeWatch(journal, BATTERY, True)
    assert not any(watch.sees(300) for _ in range(5000))


@pytest.mark.parametrize("direction", [1, -1])
def test_a_word_that_outlasts_a_climb_or_a_fall_is_frozen(journal, direction):
    watch = FreezeWatch(journal, BATTERY, True)
    for metre in range(0, MOVED_M, 10):
        journal.altitude_m = 5000 + direction * metre
        assert watch.sees(300) == 0
    journal.altitude_m = 5000 + direction * MOVED_M
    assert watch.sees(300) == MOVED_M // 10 + 1


def test_a_few_readings_are_no_evidence_however_far_the_box_moves(journal):
    watch = FreezeWatch(journal, BATTERY, True)
    for turn in range(BATTERY - 1):
        journal.altitude_m = turn * 1000
        assert watch.sees(300) == 0


def test_an_altitude_that_is_not_known_is_no_evidence(journal):
    watch = FreezeWatch(journal, BATTERY, True)
    assert not any(watch.sees(300) for _ in range(100))
    journal.altitude_m = 9000  # now it is, and counts from here
    assert watch.sees(300) == 0
    journal.altitude_m = 9000 + MOVED_M
    assert watch.sees(300)
    journal.altitude_m = None
    assert watch.sees(300) == 0


def test_two_sources_of_altitude_are_not_compared(journal):
    """Pressure altitude and the receiver's may be a kilometre apart."""
    watch = FreezeWatch(journal, BATTERY, True)
    journal.altitude_m = 20000
    for _ in range(50):
        watch.sees(300)
    journal.altitude_m, journal.altitude_source = 21000, events.GNSS
    assert watch.sees(300) == 0
    journal.altitude_m = 21000 + MOVED_M
    assert watch.sees(300)

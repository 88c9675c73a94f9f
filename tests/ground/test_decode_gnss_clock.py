"""Receiver times that are off by a known amount: which side is believed, what is flagged, what is said."""

import numpy as np
import pytest

from ground.decode.course import gnss_clock, timeline
from ground.decode.frames.records import BootFrames
from ground.decode.readings import flags

BEGIN = 1_937_640_600_000  # 2031-05-27T07:30:00Z
WEEKS = 1024 * 7 * 86_400_000


def epochs(count, seed=20310527):
    """t_ms and utc_ms of fixes, one a second, each some tenths of a second late."""
    rng = np.random.default_rng(seed)
    utc = BEGIN + 1000 * np.arange(count)
    return np.round(utc - BEGIN + 180 + rng.uniform(-40, 40, count)).astype(np.int64), utc


def error_ms(line):
    return abs(float(line.at(180)) - BEGIN)


@pytest.mark.parametrize(
    "wrong_ms", [18_000, -WEEKS, 18_000 - WEEKS, -2 * WEEKS], ids=["leap", "weeks", "both", "twice"]
)
@pytest.mark.parametrize("wrong_s", [300, 750, 880])
def test_what_comes_behind_the_almanac_is_right_even_if_it_is_less(wrong_ms, wrong_s):
    t, utc = epochs(900)
    utc[:wrong_s] += wrong_ms
    line = timeline.fit(t, utc)
    assert error_ms(line) < 100 and line.basis == "gps" and line.uncertainty_ms < 1000
    bits = gnss_clock.doubts(t, utc, line)
    assert (bits[wrong_s:] == 0).all()
    expected = (flags.TIME_LEAP if wrong_ms % 1000 == 0 and wrong_ms % WEEKS else 0) | (
        flags.TIME_WEEKS if abs(wrong_ms) > 10**9 else 0
    )
    assert (bits[:wrong_s] == expected).all()


def test_a_few_fixes_behind_a_long_record_do_not_overrule_it():
    t, utc = epochs(900)
    utc[-5:] -= 18_000
    line = timeline.fit(t, utc)
    assert error_ms(line) < 100
    assert (gnss_clock.doubts(t, utc, line)[-5:] == flags.TIME_STEP).all()


def test_a_clock_that_falls_behind_by_eighteen_seconds_and_returns_is_a_step():
    t, utc = epochs(900)
    utc[300:600] -= 18_000
    line = timeline.fit(t, utc)
    assert error_ms(line) < 100
    assert ((gnss_clock.doubts(t, utc, line) != 0) == ((t > 299_900) & (t < 599_900))).all()


@pytest.mark.parametrize("step_ms", [-3_600_000, -7_000, 5_000, 60_000, 40_000_000])
def test_a_step_of_a_fifth_of_the_record_is_flagged_and_not_used(step_ms):
    t, utc = epochs(1000)
    utc[400:600] += step_ms
    line = timeline.fit(t, utc)
    assert error_ms(line) < 100 and line.basis == "gps"
    bits = gnss_clock.doubts(t, utc, line)
    assert (bits[400:600] == flags.TIME_STEP).all() and not bits[:400].any() and not bits[600:].any()


def test_a_step_for_good_in_the_middle_leaves_the_time_uncertain_by_the_step():
    t, utc = epochs(1000)
    utc[550:] += 7_000
    line = timeline.fit(t, utc)
    assert line.basis == "gps, clock steps"
    assert 7_000 < line.uncertainty_ms < 8_500
    assert error_ms(line) < line.uncertainty_ms


def test_times_that_agree_have_no_flag():
    t, utc = epochs(500)
    assert not gnss_clock.doubts(t, utc, timeline.fit(t, utc)).any()


def test_counts_and_words_name_each_kind():
    bits = np.array([0, flags.TIME_LEAP, flags.TIME_LEAP, flags.TIME_WEEKS, flags.TIME_STEP])
    counted = gnss_clock.counts(bits)
    assert counted == {"weeks": 1, "leap_seconds": 2, "step": 1}
    assert gnss_clock.note(3, counted) == (
        "boot 3: receiver times not used for utc: the date was 1024 weeks off in 1 fixes, "
        "the time lacked the leap seconds in 2 fixes, the clock had stepped in 1 fixes"
    )


def boot(number, last_ms):
    return BootFrames(number, 1, number, 100, 0, 0, 0, last_ms, 0, 0)


def line(begin, points=100):
    return timeline.Line(float(begin), 1.0, 500.0, "gps", points)


@pytest.mark.parametrize("rolled", [0, 1, 2])
def test_a_boot_that_lies_1024_weeks_before_its_neighbours_is_put_among_them(rolled):
    boots = [boot(1, 100_000), boot(2, 50_000), boot(3, 80_000)]
    begins = [BEGIN, BEGIN + 130_000, BEGIN + 200_000]
    lines = [line(begin - (WEEKS if n == rolled else 0)) for n, begin in enumerate(begins)]
    joined, notes = timeline.join(boots, lines, [1, 1, 1])
    assert [one.begin_ms for one in joined] == begins
    assert joined[rolled].basis == "gps, 1024 weeks added"
    assert len(notes) == 1 and f"boot {rolled + 1}: its dates lie 1024 weeks before" in notes[0]


def test_the_receivers_dates_of_such_a_boot_are_flagged():
    joined, _notes = timeline.join(
        [boot(1, 100_000), boot(2, 50_000)], [line(BEGIN), line(BEGIN + 130_000 - WEEKS)], [1, 1]
    )
    t = np.arange(0, 50_000, 1000)
    assert (gnss_clock.doubts(t, BEGIN + 130_000 - WEEKS + t, joined[1]) == flags.TIME_WEEKS).all()

"""Jumps and clock steps, seen row by row on the board."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware.core.gnss_doubt import ClockDoubt, PlaceDoubt, day_number
from firmware.core.gnss_rows import Fix
from shared_protocol.records import FIX_2D, FIX_3D, FLAG_ASSUMED_DATE, UNKNOWN_I32
from tests.interpreters import INTERPRETERS, run

UNITS_PER_M = 89.93  # 1e-7 deg of latitude


def row(t_s, north_m=0.0, up_m=1000.0, latitude_deg=48.0, longitude_deg=11.0, kind=FIX_3D):
    fix = Fix()
    fix.t_ms = round(t_s * 1000)
    fix.latitude = round(latitude_deg * 1e7 + north_m * UNITS_PER_M)
    fix.longitude = round(longitude_deg * 1e7)
    fix.altitude = round(up_m * 1000)
    fix.fix_type = kind
    return fix


def jumps(rows):
    doubt = PlaceDoubt()
    return [doubt.is_jump(fix) for fix in rows]


def test_a_flight_with_burst_and_jet_stream_has_no_jump():
    rows = [row(s, 110.0 * s, 5.0 * s) for s in range(100)]
    rows += [row(100 + s, 11000 + 110.0 * s, 500 - 4.9 * s * s) for s in range(20)]
    assert not any(jumps(rows))


@pytest.mark.parametrize(("north_m", "up_m"), [(3000, 0), (-3000, 0), (0, 1500), (0, -1500), (60000, 9000)])
@pytest.mark.parametrize("length", [1, 2, 3])
def test_a_jump_of_up_to_three_rows_is_flagged_and_nothing_else(north_m, up_m, length):
    rows = [row(s, 30.0 * s, 1000 + 5.0 * s) for s in range(40)]
    for s in range(20, 20 + length):
        rows[s] = row(s, 30.0 * s + north_m, 1000 + 5.0 * s + up_m)
    assert jumps(rows) == [20 <= s < 20 + length for s in range(40)]


def test_how_far_it_jumped_is_told():
    doubt = PlaceDoubt()
    doubt.is_jump(row(0))
    assert doubt.is_jump(row(1, 4000.0, -2000.0))
    assert doubt.up_m == -3000 and abs(doubt.across_m - 4000) < 40


def test_a_place_that_is_insisted_on_is_believed_after_five_rows():
    rows = [row(s) for s in range(10)] + [row(s, 20000.0) for s in range(10, 30)]
    assert jumps(rows) == [False] * 10 + [True] * 4 + [False] * 16


def test_jumps_to_ever_other_places_are_never_believed():
    rows = [row(0)] + [row(s, 20000.0 * s) for s in range(1, 30)]
    assert jumps(rows) == [False] + [True] * 29


def test_the_longer_the_silence_the_farther_it_may_have_gone():
    assert jumps([row(0), row(60, 8000.0)]) == [False, False]
    assert jumps([row(0), row(60, 10000.0)]) == [False, True]


def test_a_position_that_was_repeated_for_minutes_is_as_old_as_its_first_row():
    rows = [row(s) for s in range(300)] + [row(300, 12000.0, 4000.0)]
    assert not any(jumps(rows))


def test_the_date_line_and_the_pole_are_no_jumps():
    assert jumps([row(0, longitude_deg=179.99999), row(1, longitude_deg=-179.99999)]) == [False, False]
    assert jumps([row(0, latitude_deg=89.999, longitude_deg=0), row(1, latitude_deg=89.999, longitude_deg=170)]) == [
        False,
        False,
    ]


def test_a_degree_of_longitude_shrinks_with_latitude():
    far = [row(0, latitude_deg=0.0), row(1, latitude_deg=0.0, longitude_deg=11.0 + 0.01)]  # 1.1 km
    near = [row(0, latitude_deg=65.0), row(1, latitude_deg=65.0, longitude_deg=11.0 + 0.01)]  # 470 m
    assert jumps(far) == [False, True] and jumps(near) == [False, False]


def test_a_height_that_a_2d_fix_assumes_is_not_compared():
    assert jumps([row(0), row(1, up_m=0.0, kind=FIX_2D), row(2)]) == [False, False, False]


# --- clock ------------------------------------------------------------------------------------------------------------


def timed(t_ms, utc_ms, year=2027, month=6, day=11, flags=0):
    fix = Fix()
    fix.t_ms, fix.utc, fix.year, fix.month, fix.day, fix.flags = t_ms, utc_ms, year, month, day, flags
    return fix


def steps(*rows):
    clock = ClockDoubt()
    return [(clock.days, clock.ms) if clock.steps(fix) else None for fix in rows]


def test_a_clock_that_runs_like_ours_does_not_step():
    assert steps(timed(0, 1000), timed(1000, 2000), timed(2600, 3000), timed(3000, 4000)) == [None] * 4


def test_leap_seconds_that_arrive_are_a_step_of_eighteen_seconds():
    assert steps(timed(0, 100000), timed(1000, 83000)) == [None, (0, -18000)]


def test_a_week_number_that_is_put_right_is_a_step_of_7168_days():
    assert steps(timed(0, 1000, 2007, 10, 26), timed(1000, 2000)) == [None, (7168, 0)]


def test_midnight_and_new_year_are_no_steps():
    assert steps(timed(0, 86399000, 2027, 12, 31), timed(1000, 0, 2028, 1, 1)) == [None, None]
    assert steps(timed(0, 86399000, 2028, 2, 28), timed(1000, 0, 2028, 2, 29)) == [None, None]


def test_leap_seconds_that_arrive_at_midnight_are_eighteen_seconds_and_no_day():
    assert steps(timed(0, 5000, 2028, 1, 1), timed(1000, 86388000, 2027, 12, 31)) == [None, (0, -18000)]


def test_a_silence_over_days_is_no_step():
    assert steps(timed(0, 1000), timed(2 * 86400000, 1000, day=13)) == [None, None]


def test_a_date_that_the_row_did_not_say_proves_nothing():
    assert steps(timed(0, 1000, 0, 0, 0), timed(1000, 2000)) == [None, None]
    assert steps(timed(0, 1000, flags=FLAG_ASSUMED_DATE, day=1), timed(1000, 2000)) == [None, None]
    assert steps(timed(0, UNKNOWN_I32), timed(1000, 2000)) == [None, None]


@given(st.dates(date(1980, 1, 6), date(2099, 12, 31)), st.integers(0, 8000))
def test_days_are_counted_as_python_counts_them(day, distance):
    later = day + timedelta(days=distance)
    number = day_number(day.year, day.month, day.day)
    assert day_number(later.year, later.month, later.day) - number == distance


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_doubting_allocates_nothing(interpreter):
    out = run(
        """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.core.gnss_doubt import ClockDoubt, PlaceDoubt
from firmware.core.gnss_rows import Fix
from firmware.core.gnss_watch import GnssWatch
place, clock, watch, fix = PlaceDoubt(), ClockDoubt(), GnssWatch(), Fix()
counts = [0, 0, 0, 0]
def turn(n):
    now = n * 1000
    fix.clear()
    fix.t_ms = now
    fix.utc = now - (18000 if n > 200 else 0)
    fix.year, fix.month, fix.day = 2027, 6, 11
    height = 9000 + 20 * n
    if n < 300 or n > 420:
        fix.fix_type = 3
        fix.latitude, fix.longitude, fix.altitude = 481173000 + n, -1790000000 - n, height * 1000
        if 60 < n < 90:
            fix.latitude, fix.longitude, fix.altitude = 481173000, -1790000000, 10000000
        if n == 120 or n == 140:
            fix.longitude = 1790000000
    if place.is_jump(fix): counts[0] += 1
    watch.see(fix, height, now)
    if clock.steps(fix): counts[1] += 1
    if fix.flags: counts[2] += 1
    watch.answered(now)
    watch.look(height, 6, now)
    if watch.reason:
        watch.reason = 0
        counts[3] += 1
turn(0)
heap_lock()
for n in range(1, 600):
    turn(n)
heap_unlock()
print(*counts)
""",
        interpreter,
    )
    assert out.split() == ["2", "1", "19", "2"], out

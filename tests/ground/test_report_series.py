"""Thinning and gaps: extremes stay, pauses stay pauses, nothing is made up."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ground.report.series import at_times, gap_starts, height_slices, time_slices

SECOND = 1000.0


def test_steady_readings_have_no_gap():
    assert not gap_starts(np.arange(100) * SECOND).any()


def test_pause_longer_than_three_periods_and_three_seconds_is_a_gap():
    times = np.array([0, 1, 2, 3, 7, 8, 9, 10]) * SECOND
    assert np.flatnonzero(gap_starts(times)).tolist() == [4]


def test_slower_rhythm_after_the_landing_is_no_gap():
    times = np.concatenate([np.arange(60), 60 + 10 * np.arange(60)]) * SECOND
    assert not gap_starts(times).any()


def test_pause_within_the_slow_rhythm_still_counts():
    times = np.concatenate([np.arange(60), 60 + 10 * np.arange(30), 460 + 10 * np.arange(30)]) * SECOND
    assert np.flatnonzero(gap_starts(times)).tolist() == [90]


def test_two_lone_readings_far_apart_are_not_joined():
    assert gap_starts(np.array([0.0, 3600.0]) * SECOND).tolist() == [False, True]


def test_few_readings_are_kept_one_by_one():
    rows, width = time_slices(np.arange(50) * SECOND, np.arange(50.0))
    assert width == 0.0 and rows["mid"].tolist() == list(range(50)) and rows["low"].equals(rows["high"])


@given(st.integers(1, 6), st.integers(10, 400), st.integers(5, 50), st.integers(0, 2**32 - 1))
def test_thinned_readings_keep_lowest_and_highest_and_every_pause(runs, length, slices_max, seed):
    rng = np.random.default_rng(seed)
    times = np.concatenate([np.arange(length) + k * (length + 500) for k in range(runs)]) * SECOND
    values = rng.normal(size=len(times))
    rows, _ = time_slices(times, values, slices_max)
    assert rows["low"].min() == values.min() and rows["high"].max() == values.max()
    assert rows["mid"].isna().sum() == runs - 1
    drawn = rows[rows["mid"].notna()]
    assert (drawn["low"] <= drawn["mid"]).all() and (drawn["mid"] <= drawn["high"]).all()
    assert rows["t"].is_monotonic_increasing
    for k in range(runs):  # each run begins and ends where it did
        start, end = k * (length + 500) * SECOND, (k * (length + 500) + length - 1) * SECOND
        assert start in set(drawn["t"]) and end in set(drawn["t"])


def test_readings_that_are_not_finite_are_left_out():
    rows, _ = time_slices([0.0, 1000.0, np.nan, 3000.0], [1.0, np.nan, 2.0, 3.0])
    assert rows["mid"].dropna().tolist() == [1.0, 3.0]


def test_empty_input_gives_empty_slices():
    assert len(time_slices([], [])[0]) == 0 and len(height_slices([], [], 100)) == 0


def test_height_slices_hold_quantiles_of_their_own_readings_only():
    heights = np.repeat([50.0, 150.0], 11)
    rows = height_slices(heights, np.concatenate([np.arange(11.0), 100 + np.arange(11.0)]), 100)
    assert rows["mid"].tolist() == [5.0, 105.0] and rows["low"].tolist() == [1.0, 101.0]
    assert rows["high"].tolist() == [9.0, 109.0] and rows["count"].tolist() == [11, 11]


def test_height_without_readings_breaks_the_line():
    rows = height_slices(np.array([50.0, 60.0, 950.0]), np.array([1.0, 2.0, 3.0]), 100)
    assert rows["mid"].isna().sum() == 1 and rows["mid"].isna().tolist() == [False, True, False]
    assert rows["h"].is_monotonic_increasing


def test_values_are_not_carried_across_a_pause_or_beyond_the_ends():
    known, values = np.array([0, 1, 2, 60, 61]) * SECOND, np.array([0.0, 10.0, 20.0, 600.0, 610.0])
    asked = np.array([-1.0, 0.5, 2.0, 30.0, 60.5, 62.0]) * SECOND
    got = at_times(asked, known, values)
    assert np.isnan(got).tolist() == [True, False, False, True, False, True]
    assert got[[1, 2, 4]].tolist() == [5.0, 20.0, 605.0]

"""Frozen runs and jumps found with the whole record at hand."""

import numpy as np
import pytest

from ground.decode.readings import fix_doubts

rng = np.random.default_rng(31)


def flight(count=600, climb_mps=5.0, wind_mps=40.0, noise_m=3.0):
    """t_ms, latitude, longitude, height and height by pressure, one row a second, with a burst in the middle."""
    t = np.arange(count)
    height = 20000 + climb_mps * np.minimum(t, count // 2)
    fallen = np.maximum(t - count // 2, 0)
    height = height - np.where(fallen < 12, 4.5 * fallen**2, 4.5 * 144 + 100.0 * (fallen - 12))
    noisy = height + rng.normal(0, noise_m, count)
    latitude = 48.0 + wind_mps * t / 111195 + rng.normal(0, noise_m / 111195, count)
    return t * 1000, latitude, 11.0 + rng.normal(0, noise_m / 75000, count), noisy, height - 300.0


@pytest.mark.parametrize("witness", [True, False])
def test_burst_wind_and_noise_are_no_jumps(witness):
    t, latitude, longitude, up, pressure = flight(400)
    assert not fix_doubts.jumps(t, latitude, longitude, up, pressure if witness else np.full(400, np.nan)).any()


@pytest.mark.parametrize("at", [0, 3, 100, 200, 203, 396])
@pytest.mark.parametrize("length", [1, 3])
@pytest.mark.parametrize(("north_m", "up_m"), [(3000, 0), (0, 1500), (0, -1500), (-800, 900)])
def test_jumps_are_found_wherever_they_are_and_only_they(at, length, north_m, up_m):
    t, latitude, longitude, up, pressure = flight(400)
    latitude[at : at + length] += north_m / 111195
    up[at : at + length] += up_m
    found = fix_doubts.jumps(t, latitude, longitude, up, pressure)
    assert np.flatnonzero(found).tolist() == list(range(at, at + length))


def test_a_few_fixes_between_long_silences_are_no_jump():
    t, latitude, longitude, up, pressure = flight(400)
    number = np.arange(400)
    keep = (number < 100) | ((number >= 198) & (number < 202)) | (number > 300)
    latitude[198:202] += 0.2  # a minute and a half of wind away
    found = fix_doubts.jumps(t[keep], latitude[keep], longitude[keep], up[keep], pressure[keep])
    assert not found.any()


def test_the_date_line_is_no_jump():
    t, latitude, _longitude, up, pressure = flight(400)
    longitude = (180 + 2e-5 * np.sin(np.arange(400)) + 180) % 360 - 180  # a receiver's noise, to and fro over the line
    assert longitude.min() < -179.9 and longitude.max() > 179.9
    assert not fix_doubts.jumps(t, latitude, longitude, up, pressure).any()


def frozen(t, place, witness, moves=None, said=None):
    none = np.zeros(len(t))
    return fix_doubts.frozen_runs(
        t, place, none if moves is None else moves, witness, none > 0 if said is None else said
    )


def test_a_frozen_run_is_flagged_from_its_second_row_to_its_last():
    t, latitude, longitude, up, pressure = flight(400)
    place = [latitude, longitude, up, up - 40]
    for value in place:
        value[100:150] = value[100]
    assert np.flatnonzero(frozen(t, place, pressure)).tolist() == list(range(101, 150))


def test_a_receiver_that_holds_still_at_rest_is_not_frozen_though_the_weather_changes():
    count = 4 * 3600
    place = [np.full(count, value) for value in (48.0, 11.0, 450.0, 496.0)]
    weather = 450 + 70 * np.sin(np.arange(count) / 6000)
    assert not frozen(np.arange(count) * 1000, place, weather).any()


def test_a_run_without_a_barometer_is_frozen_where_nobody_stands_still():
    count = 30
    place = [np.full(count, value) for value in (48.0, 11.0, 14000.0, 14046.0)]
    unknown = np.full(count, np.nan)
    assert frozen(np.arange(count) * 1000, place, unknown).sum() == count - 1
    place[2][:], place[3][:] = 450.0, 496.0
    assert not frozen(np.arange(count) * 1000, place, unknown).any()
    assert frozen(np.arange(count) * 1000, place, unknown, moves=np.full(count, 5.0)).sum() == count - 1


def test_what_the_board_had_flagged_makes_the_whole_run_frozen():
    count = 30
    place = [np.full(count, value) for value in (48.0, 11.0, 450.0, 496.0)]
    said = np.arange(count) > 10
    assert frozen(np.arange(count) * 1000, place, np.full(count, np.nan), said=said).sum() == count - 1


def test_no_rows_are_no_runs():
    empty = np.zeros(0)
    assert len(frozen(empty, [empty] * 4, empty)) == 0
    assert len(fix_doubts.jumps(empty, empty, empty, empty, empty)) == 0

"""Launch, burst and landing within seconds of the truth, through noise, gaps and instruments that fail."""

import numpy as np
import pytest

from ground.atmosphere import altitude_from_geopotential, pressure_altitude_m, standard_air
from ground.decode.course import phases
from tests.ground.log_maker import flight_profile

PROFILE = flight_profile()
T = np.arange(len(PROFILE.altitude_m), dtype=float)


def gnss(noise_m=8.0, seed=1):
    return PROFILE.altitude_m + np.random.default_rng(seed).normal(0, noise_m, len(T))


def barometer(noise_hpa=0.01, bias_hpa=0.0, seed=2):
    hpa = standard_air(PROFILE.altitude_m).pressure_pa / 100 + np.random.default_rng(seed).normal(
        bias_hpa, noise_hpa, len(T)
    )
    return altitude_from_geopotential(pressure_altitude_m(np.maximum(hpa, 0.1) * 100))


def check(found, launch=2.0, burst=3.0, landing=3.0):
    assert found.flew
    assert found.launch.at_s == pytest.approx(PROFILE.launch_s, abs=launch)
    assert found.burst.at_s == pytest.approx(PROFILE.burst_s, abs=burst)
    assert found.landing.at_s == pytest.approx(PROFILE.landing_s, abs=landing)


@pytest.mark.parametrize("seed", range(5))
def test_moments_are_found_with_both_instruments(seed):
    check(phases.find(T, [barometer(seed=seed), gnss(seed=seed + 50)]), launch=1.0, burst=2.0, landing=1.0)


@pytest.mark.parametrize("seed", range(5))
def test_moments_are_found_by_gps_alone(seed):
    check(phases.find(T, [np.full(len(T), np.nan), gnss(10.0, seed)]), launch=5.0, burst=3.0, landing=5.0)


@pytest.mark.parametrize("seed", range(5))
def test_moments_are_found_by_pressure_alone_noise_and_all(seed):
    check(phases.find(T, [barometer(0.03, 1.5, seed), np.full(len(T), np.nan)]))


def test_receiver_that_is_silent_above_its_altitude_limit_costs_nothing():
    high = gnss()
    high[PROFILE.altitude_m > 12_000] = np.nan
    check(phases.find(T, [barometer(), high]))


@pytest.mark.parametrize("moment", ["launch_s", "burst_s", "landing_s"])
def test_restart_across_the_very_moment_costs_a_few_seconds_of_certainty(moment):
    hole = np.abs(T - getattr(PROFILE, moment) - 1) < 5
    pressure, height = barometer(), gnss()
    pressure[hole] = height[hole] = np.nan
    found = phases.find(T, [pressure, height])
    check(found, launch=5.0, burst=5.0, landing=5.0)
    assert getattr(found, moment[:-2]).readings_apart_s >= 9


def test_apogee_is_the_curves_top_and_not_the_luckiest_reading():
    lucky, fitted = [], []
    for seed in range(8):
        height = gnss(10.0, seed)
        found = phases.find(T, [barometer(seed=seed + 90), height])
        lucky.append(height.max() - PROFILE.altitude_m.max())
        fitted.append(phases.apogee_m(T, height, found.burst) - PROFILE.altitude_m.max())
    assert np.mean(lucky) > 6  # what a plain maximum would say
    assert abs(np.mean(fitted)) < 4 and np.abs(fitted).max() < 10


def test_wild_readings_do_not_make_an_apogee():
    height = gnss()
    height[[300, 4000, 8000]] = [60_000, -5000, 45_000]
    pressure = barometer()
    pressure[[310, 4100]] = [70_000, 0]
    check(phases.find(T, [pressure, height]))
    assert phases.apogee_m(T, height, phases.find(T, [pressure, height]).burst) < 29_550


def test_record_that_begins_in_the_air_has_no_launch_and_one_that_ends_there_no_landing():
    part = (T > 2000) & (T < 7000)
    found = phases.find(T[part], [barometer()[part], gnss()[part]])
    assert found.launch is None and found.landing is None and found.burst.at_s == pytest.approx(PROFILE.burst_s, abs=3)
    codes = found.of(T[part])
    assert codes[0] == phases.ASCENDING and codes[-1] == phases.DESCENDING
    only_up = T < 3000
    found = phases.find(T[only_up], [barometer()[only_up]])
    assert found.launch.at_s == pytest.approx(PROFILE.launch_s, abs=2) and found.burst is None
    assert found.of(T[only_up])[-1] == phases.ASCENDING


def test_box_that_stays_on_the_ground_did_not_fly():
    still = np.random.default_rng(3).normal(200, 10, 3000)
    found = phases.find(np.arange(3000.0), [still])
    assert not found.flew and (found.of(np.arange(3000.0)) == phases.GROUND).all()
    assert phases.find(np.arange(5.0), [np.arange(5.0)]).flew is False


def test_drive_to_a_launch_place_on_a_hill_is_not_the_launch():
    drive = np.concatenate([np.full(600, 50.0), np.linspace(50, 214, 900), np.full(300, 214.0)])
    height = np.concatenate([drive, PROFILE.altitude_m])
    found = phases.find(np.arange(float(len(height))), [height + np.random.default_rng(4).normal(0, 0.5, len(height))])
    assert found.launch.at_s == pytest.approx(len(drive) + PROFILE.launch_s, abs=2)


def test_pause_in_the_climb_is_not_a_second_launch():
    height = PROFILE.altitude_m
    at = int(np.argmax(height > 20_000))
    paused = np.concatenate([height[:at], np.full(600, height[at]), height[at:]])
    found = phases.find(np.arange(float(len(paused))), [paused + np.random.default_rng(5).normal(0, 2, len(paused))])
    assert found.launch.at_s == pytest.approx(PROFILE.launch_s, abs=2)
    assert found.burst.at_s == pytest.approx(PROFILE.burst_s + 600, abs=3)

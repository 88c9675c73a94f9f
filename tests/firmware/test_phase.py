"""The flight phase against flights and against everything that is not one. Altitudes to pressures: package ussa1976."""

import functools
import random

import numpy as np
import pytest
import ussa1976

from firmware.core.phase import Phase
from firmware.core.pressure_altitude import altitude_m
from shared_protocol import events

GROUND = events.PHASE_GROUND
ASCENDING = events.PHASE_ASCENDING
DESCENDING = events.PHASE_DESCENDING
LANDED = events.PHASE_LANDED

QUIET_PA = 1.0  # noise of a mean of ten readings, generous for the chip
LOUD_PA = 1000.0 / 10**0.5  # ten readings of 10 hPa noise each


@functools.lru_cache(maxsize=1)
def atmosphere():
    """Geopotential altitudes [m] and pressures [Pa] of the standard atmosphere."""
    geometric = np.arange(0.0, 46001.0, 250.0)
    pressure = ussa1976.compute(z=geometric, variables=["p"]).p.to_numpy()
    return geometric * 6356766.0 / (6356766.0 + geometric), pressure


def pressure_pa(altitude):
    heights, pressures = atmosphere()
    return float(np.exp(np.interp(altitude, heights, np.log(pressures))))


def ramp(start_m, rate_mps, seconds):
    """Altitudes of a steady climb, one a second."""
    return [start_m + rate_mps * second for second in range(seconds)]


def still(at_m, seconds):
    return [at_m] * seconds


def flight(launch_m=400.0, rate_mps=5.0, burst_m=30000.0, wait_s=300, land_m=300.0, rest_s=300):
    """A whole flight: wait, ascent, a fall slowed by the thickening air, rest; and the seconds of burst and landing."""
    altitudes = still(launch_m, wait_s) + ramp(launch_m, rate_mps, int((burst_m - launch_m) / rate_mps))
    burst_s = len(altitudes)
    at_m = burst_m
    while at_m > land_m:
        altitudes.append(at_m)
        at_m -= 5.0 * (101325.0 / pressure_pa(max(at_m, 0.0))) ** 0.5
    landing_s = len(altitudes)
    return altitudes + still(land_m, rest_s), burst_s, landing_s


def play(altitudes, *, noise_pa=QUIET_PA, phase=GROUND, receiver=True, pressure=True, seed=1):
    """The changes of phase: list of (second, phase, source)."""
    rng = random.Random(seed)
    logic = Phase(phase)
    changes = []
    for second, altitude in enumerate(altitudes):
        if pressure:
            value = round(pressure_pa(altitude) + rng.gauss(0.0, noise_pa))
            logic.add_pressure(value, rng.randrange(2**24), second)
        if receiver:
            logic.add_receiver(round(altitude + rng.gauss(0.0, 2.0)), second)
        if logic.decide(second):
            changes.append((second, logic.phase, logic.source))
    return changes


def phases(changes):
    return [change[1] for change in changes]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("receiver", [True, False])
def test_a_flight_has_its_three_changes_at_the_right_times(seed, receiver):
    altitudes, burst_s, landing_s = flight()
    changes = play(altitudes, seed=seed, receiver=receiver)
    assert phases(changes) == [ASCENDING, DESCENDING, LANDED]
    assert 0 < changes[0][0] - 300 <= 45
    assert 0 < changes[1][0] - burst_s <= 15
    assert 0 < changes[2][0] - landing_s <= 90
    assert {change[2] for change in changes} == {events.BAROMETER}


def test_without_a_barometer_the_receiver_decides_and_the_event_says_so():
    altitudes, burst_s, landing_s = flight()
    changes = play(altitudes, pressure=False)
    assert phases(changes) == [ASCENDING, DESCENDING, LANDED]
    assert {change[2] for change in changes} == {events.GNSS}
    assert changes[1][0] - burst_s <= 15
    assert changes[2][0] - landing_s <= 120


@pytest.mark.parametrize("start_m", [800.0, 3000.0, 8000.0, 12000.0, 20000.0, 29000.0])
@pytest.mark.parametrize("known", [True, False])
def test_a_reset_in_the_ascent_is_seen_within_half_a_minute(start_m, known):
    changes = play(ramp(start_m, 5.0, 60), phase=ASCENDING if known else GROUND)
    if known:
        assert changes == []
    else:
        assert phases(changes) == [ASCENDING]
        assert changes[0][0] <= 32


FALLS = [(29000.0, -70.0), (20000.0, -25.0), (12000.0, -12.0), (5000.0, -7.0), (900.0, -5.0)]


@pytest.mark.parametrize("start_m,rate", FALLS)
@pytest.mark.parametrize("before", [GROUND, ASCENDING])
def test_a_reset_in_the_descent_is_seen_within_half_a_minute(start_m, rate, before):
    changes = play(ramp(start_m, rate, 60), phase=before)
    assert phases(changes)[-1] == DESCENDING
    assert changes[-1][0] <= 32


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("receiver", [True, False])
def test_noise_of_10_hpa_at_30_km_changes_nothing(seed, receiver):
    changes = play(ramp(28000.0, 5.0, 600), noise_pa=LOUD_PA, phase=ASCENDING, receiver=receiver, seed=seed)
    assert changes == []
    changes = play(still(30000.0, 600), noise_pa=LOUD_PA, phase=ASCENDING, receiver=receiver, seed=seed)
    assert changes == []


@pytest.mark.parametrize("seed", range(5))
def test_in_that_noise_the_receiver_still_sees_the_burst(seed):
    altitudes, burst_s, _landing_s = flight(wait_s=0, launch_m=27000.0)
    changes = play(altitudes[: burst_s + 60], noise_pa=LOUD_PA, phase=ASCENDING, seed=seed)
    assert phases(changes) == [DESCENDING]
    assert changes[0][0] - burst_s <= 20
    assert changes[0][2] == events.GNSS


def test_weather_is_no_flight():
    """5 hPa an hour, a falling glass before a storm, is 42 m an hour."""
    altitudes = [200.0 + 42.0 * second / 3600.0 for second in range(4 * 3600)]
    assert play(altitudes) == []


@pytest.mark.parametrize("rate", [1.0, 1.5, 2.5])
def test_a_car_ride_up_a_hill_is_no_flight(rate):
    """100 km/h on a 9 % grade are 2.5 m/s; the hill is 500 m high and the car goes down on the other side."""
    seconds = int(500 / rate)
    altitudes = still(200.0, 120) + ramp(200.0, rate, seconds) + still(700.0, 300) + ramp(700.0, -rate, seconds)
    assert play(altitudes + still(200.0, 300)) == []


@pytest.mark.parametrize("height,rate", [(30.0, 2.0), (60.0, 3.0), (100.0, 6.0)])
def test_a_lift_is_no_flight(height, rate):
    seconds = int(height / rate)
    up = ramp(100.0, rate, seconds) + still(100.0 + height, 60)
    down = ramp(100.0 + height, -rate, seconds) + still(100.0, 60)
    assert play((still(100.0, 60) + up + down) * 5) == []


def test_a_slow_balloon_is_a_flight_all_the_same():
    changes = play(still(300.0, 300) + ramp(300.0, 2.0, 1200))
    assert phases(changes) == [ASCENDING]
    assert changes[0][0] - 300 <= 530


def test_a_tall_lift_and_a_rest_end_on_the_ground_again():
    changes = play(still(50.0, 60) + ramp(50.0, 8.0, 50) + still(450.0, 600))
    assert phases(changes) == [ASCENDING, GROUND]


def test_a_flight_whose_descent_was_slept_through_ends_landed():
    assert phases(play(still(300.0, 300), phase=ASCENDING)) == [LANDED]


def test_a_power_up_after_landing_stays_landed_and_a_launch_from_there_is_seen():
    changes = play(still(300.0, 300) + ramp(300.0, 5.0, 300), phase=LANDED)
    assert phases(changes) == [ASCENDING]
    assert changes[0][0] - 300 <= 45


def test_a_barometer_that_repeats_itself_is_not_believed():
    logic = Phase(ASCENDING)
    for second in range(300):
        logic.add_pressure(5000, 7, second)  # frozen
        logic.add_receiver(20000 - 12 * second, second)
        logic.decide(second)
    assert logic.phase == DESCENDING
    assert logic.source == events.GNSS


def test_with_neither_source_the_phase_stays():
    logic = Phase(ASCENDING)
    for second in range(300):
        assert not logic.decide(second)


def test_one_wild_reading_changes_nothing():
    logic = Phase(ASCENDING)
    for second in range(300):
        value = 100000 if second == 200 else round(pressure_pa(15000.0 + 5.0 * second))
        logic.add_pressure(value, second, second)
        assert not logic.decide(second)


def test_pressure_altitude_is_within_14_m_of_the_standard_atmosphere():
    heights, pressures = atmosphere()
    for height, pressure in zip(heights, pressures, strict=True):
        if pressure >= 300.0:  # below that, whole pascals are coarser than the table
            assert abs(altitude_m(round(pressure)) - height) <= 14.0 + 8000.0 * 0.5 / pressure, height


def test_pressure_altitude_never_leaves_its_table():
    assert altitude_m(-5) == altitude_m(64)
    assert altitude_m(10**9) == altitude_m(131071)
    values = [altitude_m(pressure) for pressure in range(64, 131072)]
    assert values == sorted(values, reverse=True)

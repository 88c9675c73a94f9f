"""Drift, chance, wind, motion of the box, and its cold: each alone.

Sources: geographiclib's geodesics, the distances of `data/check_values.json` geo.*; textbook answers of first-order
lags.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from ground.errors import InputError
from ground.simulator.attitude import panel_normal
from ground.simulator.chance import correlated, stream, swinging
from ground.simulator.drift import drift, radii_m
from ground.simulator.scenario_chips import Ds18b20
from ground.simulator.scenario_parts import Battery, Box
from ground.simulator.thermal import (
    battery_voltage_v,
    box_temperature_c,
    first_order,
    probe_temperature_c,
    ventilation,
)
from ground.simulator.wind import components, invented_wind
from tests.check_values import check_value
from tests.simulator.flights import scenario_with

SEED = 11


def place(latitude_deg, longitude_deg):
    return SimpleNamespace(latitude_deg=latitude_deg, longitude_deg=longitude_deg)


# ---- drift


@pytest.mark.parametrize(
    ("name", "start", "east", "north"),
    [
        ("equator_1deg_lon", (0.0, 0.0), 1.0, 0.0),
        ("equator_1deg_lat", (0.0, 0.0), 0.0, 1.0),
        ("mid_1deg_lat", (44.5, 0.0), 0.0, 1.0),
    ],
)
def test_the_published_length_of_a_degree_is_a_degree(name, start, east, north):
    metres = check_value(f"geo.inverse.{name}")["expected"]["s12_m"]
    count = 1001
    speed = np.full(count, metres / (count - 1))
    latitude, longitude = drift(place(*start), np.zeros(count), speed * east, speed * north, 1.0)
    assert latitude[-1] - start[0] == pytest.approx(north, abs=2e-6)
    assert longitude[-1] - start[1] == pytest.approx(east, abs=2e-6)


@pytest.mark.parametrize("latitude_deg", [-70.0, -33.0, 0.0, 48.0, 80.0])
def test_many_short_geodesics_lead_to_the_same_place(latitude_deg):
    geodesic = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    rng = np.random.default_rng(SEED)
    count, step = 4000, 2.0
    east, north = np.cumsum(rng.normal(0, 0.3, count)) + 8.0, np.cumsum(rng.normal(0, 0.3, count))
    latitude, longitude = drift(place(latitude_deg, 179.9), np.zeros(count), east, north, step)
    at = (latitude_deg, 179.9)
    for row in range(1, count):
        e, n = (0.5 * (c[row] + c[row - 1]) * step for c in (east, north))
        there = geodesic.Direct(*at, np.degrees(np.arctan2(e, n)), np.hypot(e, n))
        at = (there["lat2"], there["lon2"])
    assert geodesic.Inverse(*at, latitude[-1], longitude[-1])["s12"] < 2e-5 * np.sum(np.hypot(east, north)) * step
    assert -180.0 <= longitude.min() <= longitude.max() <= 180.0


def test_at_height_a_metre_is_fewer_degrees():
    low, high = (
        drift(place(45.0, 0.0), np.full(2, z), np.full(2, 100.0), np.zeros(2), 10.0)[1][-1] for z in (0.0, 30000.0)
    )
    assert low / high == pytest.approx(1.0 + 30000.0 / radii_m(45.0)[1], rel=1e-6)


def test_a_track_over_a_pole_is_refused():
    with pytest.raises(
        InputError, match=r"^launch.latitude_deg = 88: the wind carries the box within 0.5 degrees of a pole"
    ):
        drift(place(88.0, 0.0), np.zeros(100), np.zeros(100), np.full(100, 50.0), 100.0)


# ---- chance and wind


def test_a_stream_depends_on_seed_and_purpose_alone():
    one = stream(SEED, "gusts").standard_normal(5)
    np.testing.assert_array_equal(one, stream(SEED, "gusts").standard_normal(5))
    assert not np.array_equal(one, stream(SEED, "spin").standard_normal(5))
    assert not np.array_equal(one, stream(SEED + 1, "gusts").standard_normal(5))


def test_correlated_noise_has_the_spread_and_the_memory_it_promises():
    noise = correlated(stream(SEED, "test"), 200_000, 0.2, 5.0)
    assert noise.mean() == pytest.approx(0.0, abs=0.1)
    assert noise.std() == pytest.approx(1.0, abs=0.05)
    lag = 25  # one memory
    assert np.corrcoef(noise[:-lag], noise[lag:])[0, 1] == pytest.approx(np.exp(-1), abs=0.05)


def test_swinging_noise_has_the_spread_and_the_period_it_promises():
    noise = swinging(stream(SEED, "test"), 200_000, 0.2, 5.0, 20.0)
    assert noise.std() == pytest.approx(1.0, abs=0.05)
    power = np.abs(np.fft.rfft(noise)) ** 2
    smooth = np.convolve(power, np.ones(200) / 200, mode="same")
    assert 1.0 / np.fft.rfftfreq(len(noise), 0.2)[np.argmax(smooth)] == pytest.approx(5.0, rel=0.05)


def test_a_west_wind_blows_to_the_east():
    east, north = components(270.0, 10.0)
    assert (east, north) == (pytest.approx(10.0), pytest.approx(0.0, abs=1e-9))
    east, north = components(360.0, 10.0)
    assert (east, north) == (pytest.approx(0.0, abs=1e-9), pytest.approx(-10.0))


@pytest.mark.parametrize("seed", range(20))
def test_an_invented_wind_looks_like_a_wind(seed):
    winds = {month: invented_wind(stream(seed, "wind"), 50.0, month) for month in (1, 7)}
    for wind in winds.values():
        speed = np.hypot(wind.east_mps, wind.north_mps)
        z = wind.altitude_m
        assert speed[(z >= 0) & (z <= 100)].max() < 8.0, seed
        jet = speed[(z > 8000) & (z < 13000)].max()
        assert 12.0 < jet < 60.0, seed
        assert speed[(z > 18000) & (z < 21000)].min() < 0.7 * jet, seed
    high = winds[1].altitude_m > 28000
    assert winds[1].east_mps[high].mean() > 5.0 > -1.0 > winds[7].east_mps[high].mean(), seed


# ---- how the box hangs


def normals(**tables):
    rows, count = (500, 20_000, 30_000), 32_000
    return panel_normal(scenario_with(**tables), SEED, 0.2, rows, count)


def test_the_panel_stands_still_on_the_ground_and_after_the_landing():
    normal = normals()
    np.testing.assert_allclose(np.linalg.norm(normal, axis=0), 1.0, atol=1e-12)
    assert np.ptp(normal[:, :500], axis=1).max() == 0.0
    assert np.ptp(normal[:, 30_000:], axis=1).max() < 1e-12
    assert normal[2, 0] == pytest.approx(np.cos(np.deg2rad(45.0)))


def test_the_panel_faces_where_the_scenario_says_until_release():
    normal = normals(box={"heading_deg": 125.0}, panel={"tilt_deg": 60.0})
    assert np.rad2deg(np.arctan2(normal[0, 0], normal[1, 0])) == pytest.approx(125.0)
    assert normal[2, 0] == pytest.approx(0.5)


def test_a_swing_leans_a_flat_panel_by_its_angle_and_most_right_after_the_burst():
    normal = normals(panel={"tilt_deg": 0.0}, box={"swing_deg": 4.0, "descent_swing_deg": 10.0})
    lean = np.rad2deg(np.arccos(normal[2]))
    # two components of standard deviation s give a root mean square of s sqrt(2)
    assert np.sqrt(np.mean(lean[500:20_000] ** 2)) == pytest.approx(4.0 * np.sqrt(2), rel=0.1)
    assert np.sqrt(np.mean(lean[25_000:30_000] ** 2)) == pytest.approx(10.0 * np.sqrt(2), rel=0.15)
    assert lean[20_000:20_300].max() > 25.0


def test_the_box_spins_about_as_fast_as_the_scenario_says():
    normal = normals(box={"spin_period_s": 30.0, "swing_deg": 0.0}, panel={"tilt_deg": 90.0})
    turned = np.diff(np.unwrap(np.arctan2(normal[0], normal[1])))[500:19_000] / 0.2
    assert np.sqrt(np.mean(turned**2)) == pytest.approx(2 * np.pi / 30.0, rel=0.25)


# ---- cold


def test_a_lag_answers_a_step_with_one_less_e_to_the_minus_one_after_its_time_constant():
    answer = first_order(np.ones(1000), 20.0, 0.2, 0.0)
    assert answer[99] == pytest.approx(1.0 - np.exp(-1.0), rel=1e-9)


def test_a_lag_trails_a_ramp_by_its_time_constant():
    ramp = np.arange(5000) * 0.2 * -0.03
    assert (first_order(ramp, 12.0, 0.2, 0.0) - ramp)[-1] == pytest.approx(12.0 * 0.03, rel=0.02)


def test_thin_air_cools_less_and_still_air_never_stops_cooling():
    assert ventilation(1.225, 5.0) == pytest.approx(1.0)
    assert ventilation(0.0184, -5.0) == pytest.approx(np.sqrt(0.0184 / 1.225))
    assert ventilation(1.225, 0.0) == ventilation(1.225, 1.0) > 0.4


def settled_error_c(density, speed, sun_wm2=1000.0):
    probe = Ds18b20(chip="ds18b20", name="outside", rom="", time_constant_s=12.0, sun_heating_c=0.4)
    flow = np.full(50_000, ventilation(density, speed))
    return probe_temperature_c(probe, np.full(50_000, -50.0), np.full(50_000, sun_wm2), flow, 0.2)[-1] + 50.0


def test_an_outside_probe_reads_too_warm_in_the_sun_most_at_height():
    assert settled_error_c(1.225, 5.0, 0.0) == pytest.approx(0.0, abs=1e-9)
    assert settled_error_c(1.225, 5.0) == pytest.approx(0.4, rel=1e-3)
    assert 1.5 < settled_error_c(0.0184, 5.0) < 3.0


def test_an_outside_probe_is_slower_where_the_air_is_thin():
    probe = Ds18b20(chip="ds18b20", name="outside", rom="", time_constant_s=12.0, sun_heating_c=0.0)
    step = np.concatenate([[0.0], np.full(200, -10.0)])
    dense, thin = (
        probe_temperature_c(probe, step, np.zeros(201), np.full(201, ventilation(rho, 5.0)), 0.2)[60]
        for rho in (1.225, 0.0184)
    )
    assert dense == pytest.approx(-10.0 * (1.0 - np.exp(-1.0)), rel=1e-6)
    assert -3.0 < thin < -1.0


def test_the_box_cools_slowly_and_stays_warmer_than_the_air():
    count = 40_000
    inside = box_temperature_c(
        Box(start_temperature_c=18.0), np.full(count, -55.0), np.full(count, 0.0), np.full(count, 0.3), 0.2
    )
    assert inside[0] == pytest.approx(18.0, abs=0.1)
    assert np.all(np.diff(inside) < 0)
    assert -55.0 + 9.0 < inside[-1] < -20.0
    sunny = box_temperature_c(Box(), np.full(count, -55.0), np.full(count, 1300.0), np.full(count, 0.3), 0.2)
    assert sunny[-1] > inside[-1] + 5.0


def volts(box_c, seconds=10.0, **battery):
    count = int(seconds)
    return battery_voltage_v(Battery(**battery), np.full(count, float(box_c)), np.zeros(count), 1.0)


def test_a_battery_sags_with_load_and_more_in_the_cold():
    assert volts(25.0, load_ma=0.0)[0] == pytest.approx(5.1)
    assert volts(25.0, load_ma=200.0, ripple_ma=0.0)[0] == pytest.approx(5.1 - 0.2 * 0.45, abs=1e-3)
    assert volts(-35.0, load_ma=200.0, ripple_ma=0.0)[0] == pytest.approx(5.1 - 0.2 * 0.45 * 8.0, abs=1e-3)


def test_a_battery_runs_down_to_its_empty_voltage():
    run = volts(25.0, seconds=3600.0 * 11, load_ma=100.0, capacity_mah=1000.0, resistance_ohm=0.0)
    assert np.all(np.diff(run) <= 0)
    assert run[-1] == pytest.approx(3.6)
    assert run[3600 * 5] > 4.8  # half used: most of the voltage is still there

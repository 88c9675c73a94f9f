"""The sun: NREL's worked example, published air masses, and irradiances at the ground and at 30 km.

Sources: `data/check_values.json` solar.* (each with its own source), pvlib as an independent implementation of air
mass.
"""

from datetime import datetime

import numpy as np
import pytest

from ground.atmosphere import standard_air
from ground.simulator.scenario_parts import Panel
from ground.simulator.sun import (
    SunPosition,
    beam_depth,
    horizon_dip_deg,
    ozone_share_above,
    relative_airmass,
    sun_position,
    sunlight,
)
from tests.check_values import check_value


def position_at(elevation_deg, count=1):
    """A sun at an elevation in the south, one astronomical unit away."""
    up = np.deg2rad(np.broadcast_to(np.asarray(elevation_deg, dtype=float), (count,)))
    return SunPosition(np.array([np.zeros(count), -np.cos(up), np.sin(up)]), np.rad2deg(up), np.ones(count))


def pressure_at(altitude_m):
    return standard_air(altitude_m).pressure_pa


def light_at(altitude_m, elevation_deg, **panel):
    altitude = np.atleast_1d(np.asarray(altitude_m, dtype=float))
    return sunlight(
        position_at(elevation_deg, len(altitude)), altitude, pressure_at(altitude), pressure_at, Panel(**panel)
    )


def test_the_position_is_that_of_nrels_worked_example():
    entry = check_value("solar.spa")
    moment = datetime.fromisoformat(entry["inputs"]["local_time"]).timestamp()
    rows = np.array([moment, moment + 1.0])
    column = np.ones(2)
    sun = sun_position(
        rows, 39.742476 * column, -105.1786 * column, 1830.14 * column, 82000.0 * column, 284.15 * column
    )
    # Ours takes today's terrestrial time less UT1, 69.2 s, the example 67 s: 0.00003 degrees.
    assert 90.0 - sun.elevation_deg[0] == pytest.approx(entry["expected"]["zenith_deg"], abs=2e-4)
    east, north, _ = sun.vector[:, 0]
    assert np.rad2deg(np.arctan2(east, north)) % 360.0 == pytest.approx(entry["expected"]["azimuth_deg"], abs=2e-4)
    assert sun.distance_au[0] == pytest.approx(entry["expected"]["R_AU"], abs=1e-6)
    slope, facing = np.deg2rad(30.0), np.deg2rad(170.0)  # rotation -10 in the example is azimuth 170
    face = np.array([np.sin(slope) * np.sin(facing), np.sin(slope) * np.cos(facing), np.cos(slope)])
    assert np.rad2deg(np.arccos(face @ sun.vector[:, 0])) == pytest.approx(entry["expected"]["incidence_deg"], abs=2e-4)


def test_between_computed_positions_the_sun_moves_smoothly():
    start = datetime.fromisoformat("2026-09-19T04:20:00+00:00").timestamp()
    rows = start + np.arange(0.0, 100.0, 0.2)
    column = np.ones(len(rows))
    many = sun_position(rows, 48.0 * column, 67.0 * column, 400.0 * column, 97000.0 * column, 288.0 * column)
    alone = sun_position(rows[333:335], *(c * column[:2] for c in (48.0, 67.0, 400.0, 97000.0, 288.0)))
    assert many.elevation_deg[333] == pytest.approx(alone.elevation_deg[0], abs=1e-5)
    np.testing.assert_allclose(np.linalg.norm(many.vector, axis=0), 1.0, atol=1e-12)


def test_a_track_across_the_date_line_does_not_throw_the_sun_about():
    start = datetime.fromisoformat("2026-09-19T00:00:00+00:00").timestamp()
    rows = start + np.arange(60) * 0.7  # the position computed after 10 s falls between rows 14 and 15
    longitude = (180.0 + (np.arange(60) - 14.5) * 1e-4 + 180.0) % 360.0 - 180.0
    assert longitude[14] > 179.9 > -179.9 > longitude[15]
    column = np.ones(60)
    sun = sun_position(rows, 10.0 * column, longitude, 0.0 * column, 101325.0 * column, 288.0 * column)
    assert np.abs(np.diff(sun.elevation_deg)).max() < 0.006


def test_air_masses_are_kasten_and_youngs():
    entry = check_value("solar.kasten_young")
    np.testing.assert_allclose(relative_airmass(entry["inputs"]["zenith_deg"]), entry["expected"]["AM"], rtol=1e-4)
    pvlib_atmosphere = pytest.importorskip("pvlib.atmosphere")
    zenith = np.linspace(0.0, 90.0, 91)
    theirs = pvlib_atmosphere.get_relative_airmass(zenith, model="kastenyoung1989")
    np.testing.assert_allclose(relative_airmass(zenith), theirs, rtol=1e-12)


def test_the_horizon_dips_as_published():
    entry = check_value("solar.horizon_dip")
    np.testing.assert_allclose(horizon_dip_deg(entry["inputs"]["h_m"]), entry["expected"]["dip_deg"], atol=0.005)
    assert horizon_dip_deg(-400.0) == 0.0


def depth_at(altitude_m, elevation_deg, **panel):
    altitude, elevation = np.broadcast_arrays(
        np.asarray(altitude_m, dtype=float), np.asarray(elevation_deg, dtype=float)
    )
    return beam_depth(np.atleast_1d(elevation), np.atleast_1d(altitude), pressure_at, Panel(**panel))


@pytest.mark.parametrize("altitude_m", [10.0, 5000.0, 12000.0, 30000.0])
def test_a_lower_sun_always_shines_through_more(altitude_m):
    lowest = -float(horizon_dip_deg(altitude_m)) + 0.01
    depth = depth_at(altitude_m, np.linspace(85.0, lowest, 4000))
    assert np.all(np.diff(depth) > 0)
    assert np.diff(depth).max() < 0.1 * depth[-1]  # and no jump, at the horizontal or where the model is continued


def test_at_sunrise_at_the_sea_a_few_watts_are_left():
    assert 0.5 < light_at(0.0, 0.05).direct_wm2[0] < 60.0


@pytest.mark.parametrize("elevation_deg", [-1.0, -3.0, -5.0])
def test_a_ray_from_below_is_counted_as_the_straight_line_that_it_is(elevation_deg, monkeypatch):
    # The mass of air on a straight line, in place of the optical model: what is left is the geometry.
    along = np.linspace(0.0, 1_600_000.0, 80001)

    def mass(elevation, altitude):
        radius = 6371000.0 + altitude
        z = np.sqrt(radius**2 + along**2 + 2.0 * radius * along * np.sin(np.deg2rad(elevation))) - 6371000.0
        inside = z < 79000.0
        return np.trapezoid(standard_air(np.clip(z[inside], 0.0, None)).density_kg_m3, along[inside])

    def masses(elevation, altitude, _pressure, _panel):
        return np.array([mass(e, z) for e, z in zip(elevation, altitude, strict=True)])

    monkeypatch.setattr("ground.simulator.sun._depth", masses)
    assert depth_at(30000.0, elevation_deg)[0] == pytest.approx(mass(elevation_deg, 30000.0), rel=2e-3)


@pytest.mark.parametrize("index", range(4))
def test_direct_light_grows_from_the_ground_to_30_km_as_published(index):
    entry = check_value("solar.dni")
    zenith = entry["inputs"]["zenith_deg"][index]
    ground = light_at(0.0, 90.0 - zenith).direct_wm2[0]
    high = light_at(30000.0, 90.0 - zenith).direct_wm2[0]
    assert ground == pytest.approx(entry["expected"]["ground_W_m2"][index], rel=0.05)
    assert high == pytest.approx(entry["expected"]["at_30km_W_m2"][index], rel=0.05)
    assert high / ground == pytest.approx(entry["expected"]["ratio"][index], rel=0.05)
    assert high < 1361.0


def test_direct_light_only_grows_and_sky_light_only_fades_on_the_way_up():
    altitude = np.arange(0.0, 35000.0, 250.0)
    for elevation in (10.0, 30.0, 70.0):
        light = light_at(altitude, elevation)
        assert np.all(np.diff(light.direct_wm2) > 0)
        assert np.all(np.diff(light.sky_wm2[altitude > 1000.0]) < 0)
        assert light.sky_wm2[-1] < 0.25 * light.sky_wm2[0]


def test_the_sun_shines_at_height_until_it_meets_the_dipped_horizon():
    up = light_at(30000.0, np.array([-5.4])).direct_wm2[0]
    assert 0.0 < up < 1300.0
    for altitude, elevation in ((30000.0, -5.7), (0.0, -0.1), (400.0, -20.0)):
        light = light_at(altitude, elevation)
        assert light.direct_wm2[0] == light.sky_wm2[0] == light.ground_wm2[0] == 0.0


def test_haze_and_snow_change_what_they_must():
    clear, hazy = light_at(0.0, 30.0), light_at(0.0, 30.0, aerosol_optical_depth=0.4)
    assert hazy.direct_wm2[0] < 0.8 * clear.direct_wm2[0]
    assert hazy.sky_wm2[0] > 1.3 * clear.sky_wm2[0]
    assert light_at(0.0, 30.0, ground_albedo=0.8).ground_wm2[0] > 3.9 * clear.ground_wm2[0]


def test_most_ozone_is_below_30_km_and_little_below_10():
    assert ozone_share_above(10000.0) > 0.9
    assert 0.1 < ozone_share_above(30000.0) < 0.25  # solar.dni assumes 0.05 of 0.3 cm

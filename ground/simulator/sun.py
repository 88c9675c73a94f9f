"""The sun over a climbing box: where it stands, and how much of it comes through the air that is left above.

Position: the solar position algorithm of NREL (Reda and Andreas, NREL/TP-560-34302) as pvlib has it.

Strength: the clear-sky model of Bird and Hulstrom (SERI/TR-642-761, 1981) as pvlib has it, with the columns that are
still above the box: air by its pressure, aerosol and water vapour with scale heights of 1.5 and 2 km, ozone as a layer
around 22 km. Direct light grows with height, scattered light fades. No clouds. A few per cent is what such a model
is good for; the model was not made for 30 km, and its direct beam tends to 0.97 of the sunlight outside.

Near and below the horizontal the optical depth is counted along the ray: at 30 km the horizon dips 5.5 degrees, and
the sun shines from below until it meets the dipped horizon. The model's own formula for air turns round near 12 air
masses (and passes 1 at 35), so beyond 10 the depth grows in proportion. Twilight is left out.
"""

from typing import NamedTuple

import numpy as np

SOLAR_CONSTANT_WM2 = 1361.0  # IAU 2015 Resolution B3 (from memory); pvlib's own default is an older 1366.1
EARTH_RADIUS_M = 6371000.0
SEA_LEVEL_PA = 101325.0
_DELTA_T_S = 69.2  # terrestrial time less UT1, about 2024 to 2030
_REFRACTION_DEG = 0.5667
_AEROSOL_SCALE_M, _WATER_SCALE_M = 1500.0, 2000.0
_OZONE_LAYER_M, _OZONE_SPREAD_M = 22000.0, 4500.0
_AIRMASS_MAX = 10.0  # of air at sea level's pressure; see above
_COARSE_S = 10.0


class SunPosition(NamedTuple):
    """Unit vector from the box to the sun (east, north, up), shape (3, n), and its elevation [deg] with refraction."""

    vector: np.ndarray
    elevation_deg: np.ndarray
    distance_au: np.ndarray


class Sunlight(NamedTuple):
    """Irradiance [W/m2], shape (n,): across the beam, from the sky and from the ground on a level surface."""

    direct_wm2: np.ndarray
    sky_wm2: np.ndarray
    ground_wm2: np.ndarray


def sun_position(unix_s, latitude_deg, longitude_deg, altitude_m, pressure_pa, temperature_k):
    """Where the sun stands, seen from a moving place.

    Parameters
    ----------
    unix_s, latitude_deg, longitude_deg, altitude_m, pressure_pa, temperature_k : numpy.ndarray, shape (n,)
        Rows by rising time; the position is computed every 10 s of it and interpolated as a vector. [s, deg, m, Pa, K]

    Returns
    -------
    SunPosition
    """
    from pvlib import spa  # slow to import, wanted only here

    coarse = np.unique(np.append(np.arange(unix_s[0], unix_s[-1], _COARSE_S), unix_s[-1]))
    latitude, altitude, pressure, kelvin = (
        np.interp(coarse, unix_s, column) for column in (latitude_deg, altitude_m, pressure_pa, temperature_k)
    )
    longitude = np.interp(coarse, unix_s, np.unwrap(longitude_deg, period=360.0))
    _, _, elevation, _, azimuth, _ = spa.solar_position_numpy(
        coarse, latitude, longitude, altitude, pressure / 100.0, kelvin - 273.15, _DELTA_T_S, _REFRACTION_DEG, 1
    )
    (distance,) = spa.solar_position_numpy(coarse, 0, 0, 0, 0, 0, _DELTA_T_S, 0, 1, esd=True)
    up, around = np.deg2rad(elevation), np.deg2rad(azimuth)
    corners = (np.cos(up) * np.sin(around), np.cos(up) * np.cos(around), np.sin(up))
    vector = np.array([np.interp(unix_s, coarse, corner) for corner in corners])
    vector /= np.linalg.norm(vector, axis=0)
    return SunPosition(vector, np.rad2deg(np.arcsin(vector[2])), np.interp(unix_s, coarse, distance))


def horizon_dip_deg(altitude_m):
    """How far below the horizontal the horizon lies: acos(R / (R + h)). [deg]"""
    height = np.clip(np.asarray(altitude_m, dtype=float), 0.0, None)
    return np.rad2deg(np.arccos(EARTH_RADIUS_M / (EARTH_RADIUS_M + height)))


def relative_airmass(zenith_deg):
    """Air mass by Kasten and Young (Applied Optics 28, 1989, 4735) for apparent zenith angles of 0 to 90 degrees."""
    z = np.asarray(zenith_deg, dtype=float)
    return 1.0 / (np.cos(np.deg2rad(z)) + 0.50572 * (96.07995 - z) ** -1.6364)


def beam_depth(elevation_deg, altitude_m, air_pressure_at, panel):
    """Optical depth of the air along the beam, shape (n,): direct light is exp(-depth) of the light outside.

    A ray that comes from below the horizontal passes its lowest point at (R + h) cos(e) - R and is the same on both
    sides of it: twice the depth of the horizontal path there, less the part beyond the box.

    Parameters
    ----------
    elevation_deg, altitude_m : numpy.ndarray, shape (n,)
    air_pressure_at : callable
        Pressure [Pa] at an altitude [m].
    panel : Panel
    """
    above = _depth(np.abs(elevation_deg), altitude_m, air_pressure_at(altitude_m), panel)
    if np.all(elevation_deg >= 0.0):
        return above
    lowest = np.clip((EARTH_RADIUS_M + altitude_m) * np.cos(np.deg2rad(elevation_deg)) - EARTH_RADIUS_M, 0.0, None)
    level = _depth(np.zeros_like(lowest), lowest, air_pressure_at(lowest), panel)
    return np.where(elevation_deg >= 0.0, above, 2.0 * level - above)


def _depth(elevation_deg, altitude_m, pressure_pa, panel):
    """Optical depth of the air above a height, for a sun at or above the horizontal."""
    airmass = relative_airmass(90.0 - elevation_deg)
    used = _usable_airmass(airmass, pressure_pa)
    through = _bird(elevation_deg, used, altitude_m, pressure_pa, 1.0, panel)["dni"]
    return -np.log(through) * airmass / used


def _usable_airmass(airmass, pressure_pa):
    return np.minimum(airmass, _AIRMASS_MAX * SEA_LEVEL_PA / pressure_pa)


def sunlight(position, altitude_m, pressure_pa, air_pressure_at, panel):
    """Direct, sky and ground light at the box under a clear sky.

    Parameters
    ----------
    position : SunPosition
    altitude_m, pressure_pa : numpy.ndarray, shape (n,)
    air_pressure_at : callable
        Pressure [Pa] at an altitude [m].
    panel : Panel
        Its columns of aerosol, water and ozone, and the albedo.

    Returns
    -------
    Sunlight
        Zero where the sun is behind the (dipped) horizon.
    """
    outside = SOLAR_CONSTANT_WM2 / position.distance_au**2
    elevation = position.elevation_deg
    shining = elevation > -horizon_dip_deg(altitude_m)
    seen = np.where(shining, elevation, 0.0)  # keeps the formulas inside their range; masked at the end
    up = np.clip(seen, 0.0, None)
    airmass = relative_airmass(90.0 - up)
    here = _bird(up, _usable_airmass(airmass, pressure_pa), altitude_m, pressure_pa, outside, panel)
    below_pa = np.broadcast_to(air_pressure_at(np.zeros(1)), pressure_pa.shape)
    below = _bird(up, _usable_airmass(airmass, below_pa), np.zeros_like(altitude_m), below_pa, outside, panel)
    direct = np.where(shining, outside * np.exp(-beam_depth(seen, altitude_m, air_pressure_at, panel)), 0.0)
    sky = np.where(shining, np.clip(here["dhi"], 0.0, None), 0.0)
    ground = np.where(shining, panel.ground_albedo * np.clip(below["ghi"], 0.0, None), 0.0)
    return Sunlight(direct, sky, ground)


def ozone_share_above(altitude_m):
    """Share of the ozone column still above: a layer around 22 km, as a logistic step (a rough fit from memory)."""
    return 1.0 / (1.0 + np.exp((np.asarray(altitude_m, dtype=float) - _OZONE_LAYER_M) / _OZONE_SPREAD_M))


def _bird(elevation_deg, airmass, altitude_m, pressure_pa, outside_wm2, panel):
    from pvlib.clearsky import bird

    aerosol = panel.aerosol_optical_depth * np.exp(-np.clip(altitude_m, 0.0, None) / _AEROSOL_SCALE_M)
    water = panel.water_vapour_cm * np.exp(-np.clip(altitude_m, 0.0, None) / _WATER_SCALE_M)
    ozone = panel.ozone_cm * ozone_share_above(altitude_m)
    return bird(
        90.0 - elevation_deg,
        airmass,
        aerosol * 1.35,  # 380 nm from 500 nm with an Angstrom exponent of 1.1, common practice
        aerosol,
        water,
        ozone,
        pressure_pa,
        outside_wm2,
        albedo=panel.ground_albedo,
    )

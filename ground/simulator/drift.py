"""Where the wind carries the box: metres east and north to degrees on the WGS-84 ellipsoid."""

import numpy as np

from ground.errors import InputError

WGS84_A_M = 6378137.0
WGS84_E2 = 6.69437999014e-3
LATITUDE_DEG_MAX = 89.5  # nearer to the pole, degrees of longitude mean nothing


def radii_m(latitude_deg):
    """Radii of curvature of the ellipsoid: (meridian, prime vertical). [m]"""
    w2 = 1.0 - WGS84_E2 * np.sin(np.deg2rad(latitude_deg)) ** 2
    return WGS84_A_M * (1.0 - WGS84_E2) / w2**1.5, WGS84_A_M / np.sqrt(w2)


def drift(launch, altitude_m, east_mps, north_mps, step_s):
    """Track of something that moves with these speeds.

    The radii depend a little on the latitude that is looked for; three rounds settle that to below a micrometre.
    Height is taken above the ellipsoid here, though it is above the sea: 100 m in 6378 km is nothing.

    Parameters
    ----------
    launch : Launch
        Its latitude and longitude are the first row's. [deg]
    altitude_m, east_mps, north_mps : numpy.ndarray, shape (n,)
    step_s : float

    Returns
    -------
    tuple of numpy.ndarray, shape (n,)
        Latitude and longitude, the latter in -180 to 180. [deg]

    Raises
    ------
    InputError
        If the track passes a pole.
    """
    latitude = np.full(len(altitude_m), launch.latitude_deg)
    for _ in range(3):
        meridian, _ = radii_m(latitude)
        latitude = launch.latitude_deg + np.rad2deg(_travelled(north_mps / (meridian + altitude_m), step_s))
        if np.max(np.abs(latitude)) > LATITUDE_DEG_MAX:
            raise InputError(
                f"launch.latitude_deg = {launch.latitude_deg:g}: the wind carries the box within "
                f"{90 - LATITUDE_DEG_MAX:g} degrees of a pole; start further from it"
            )
    _, across = radii_m(latitude)
    turn = _travelled(east_mps / ((across + altitude_m) * np.cos(np.deg2rad(latitude))), step_s)
    longitude = launch.longitude_deg + np.rad2deg(turn)
    return latitude, (longitude + 180.0) % 360.0 - 180.0


def _travelled(rate, step_s):
    """Integral from the first row, by trapezoids."""
    return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1])) * step_s])

"""Earth-centred coordinates into latitude, longitude and height on the WGS 84 ellipsoid.

Constants: NIMA TR8350.2, Department of Defense World Geodetic System 1984, table 3.1 (from memory; checked in a test
against geographiclib).
"""

import numpy as np

WGS84_A_M = 6378137.0
WGS84_F = 1 / 298.257223563
_E2 = WGS84_F * (2 - WGS84_F)
_STEPS = 6  # from below the ground to 100 km up each step gains about 3 digits; 6 are more than a double holds


def geodetic_from_ecef(x_m, y_m, z_m):
    """Geodetic position of Earth-centred Earth-fixed coordinates.

    Parameters
    ----------
    x_m, y_m, z_m : numpy.ndarray, shape (n,)
        At least 100 km away from the Earth's centre; nearer ones (all zero: no fix) give NaN. [m]

    Returns
    -------
    latitude_deg, longitude_deg, height_m : numpy.ndarray, shape (n,)
        Errors below 1e-11 deg and 1e-6 m up to 100 km of height. The height is above the ellipsoid.

    Notes
    -----
    Fixed-point iteration on the latitude, tan(lat) = (z + e^2 N sin(lat)) / p (common textbook form). The height is
    taken along the ellipsoid's normal, p cos(lat) + z sin(lat) - a sqrt(1 - e^2 sin^2(lat)), which stays exact at the
    poles, where p / cos(lat) does not.
    """
    x, y, z = (np.asarray(value, dtype=float) for value in (x_m, y_m, z_m))
    p = np.hypot(x, y)
    with np.errstate(invalid="ignore", divide="ignore"):
        latitude = np.arctan2(z, p * (1 - _E2))
        for _ in range(_STEPS):
            sine = np.sin(latitude)
            normal = WGS84_A_M / np.sqrt(1 - _E2 * sine * sine)
            latitude = np.arctan2(z + _E2 * normal * sine, p)
        sine, cosine = np.sin(latitude), np.cos(latitude)
        height = p * cosine + z * sine - WGS84_A_M * np.sqrt(1 - _E2 * sine * sine)
    nowhere = np.sqrt(p * p + z * z) < 100_000.0
    longitude = np.arctan2(y, x)
    return tuple(np.where(nowhere, np.nan, value) for value in (np.degrees(latitude), np.degrees(longitude), height))

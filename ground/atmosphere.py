"""The U.S. Standard Atmosphere, 1976, both ways, up to 80 km, and the few formulas of air that go with it.

The standard is written in *geopotential* height H, in which gravity is one constant; a tape measure, a map and a
satellite receiver speak of *geometric* altitude Z above mean sea level. At 30 km they differ by 141 m, so every
name here says which of the two it means: `geopotential_m` or `altitude_m` (geometric).

Pressures are in pascal and temperatures in kelvin, because the formulas are. All functions take numbers or arrays
of any shape, pass NaN through, and refuse what lies outside the model: a one-layer formula stretched past 11 km is
4.7 km low at 30 km, and nothing about the answer looks wrong.

Source of constants, layers and formulas: NOAA, NASA and USAF, U.S. Standard Atmosphere, 1976, NOAA-S/T 76-1562
(NASA-TM-X-74335); the numbers of its tables and equations below are from memory, but for equation 51.
"""

from typing import NamedTuple

import numpy as np

G0_MPS2 = 9.80665
EARTH_RADIUS_M = 6356766.0  # the standard's own radius, that makes its gravity right at 45 degrees
R_STAR = 8314.32  # [J/(kmol K)] the value of 1976, not of today: the tables were made with it
MOLAR_MASS_AIR = 28.9644  # [kg/kmol]
R_AIR = R_STAR / MOLAR_MASS_AIR  # [J/(kg K)]
GAMMA_AIR = 1.4
SEA_LEVEL_PA = 101325.0

GEOPOTENTIAL_M_MIN = -5000.0  # the tables begin here
GEOPOTENTIAL_M_MAX = 79000.0  # above, air is no longer well mixed and the molecular weight falls
ALTITUDE_M_MIN = EARTH_RADIUS_M * GEOPOTENTIAL_M_MIN / (EARTH_RADIUS_M - GEOPOTENTIAL_M_MIN)
ALTITUDE_M_MAX = EARTH_RADIUS_M * GEOPOTENTIAL_M_MAX / (EARTH_RADIUS_M - GEOPOTENTIAL_M_MAX)

# Base of each layer: geopotential height [m], temperature [K], lapse rate [K/m] (table 4).
_BASE_H = np.array([0.0, 11000.0, 20000.0, 32000.0, 47000.0, 51000.0, 71000.0])
_LAPSE = np.array([-0.0065, 0.0, 0.001, 0.0028, 0.0, -0.0028, -0.002])
_BASE_T = 288.15 + np.concatenate([[0.0], np.cumsum(np.diff(_BASE_H) * _LAPSE[:-1])])


class Air(NamedTuple):
    """State of the standard air at some heights; four arrays of one shape."""

    temperature_k: np.ndarray
    pressure_pa: np.ndarray
    density_kg_m3: np.ndarray
    sound_mps: np.ndarray


def _checked(name, values, low, high, unit, hint=""):
    """`values` as a float array; ValueError names the first one outside low..high."""
    array = np.asarray(values, dtype=float)
    wrong = (array < low) | (array > high)
    if np.any(wrong):
        first = np.flatnonzero(wrong)[0]
        where = f"{name}[{first}]" if array.ndim else name
        raise ValueError(f"{where} = {array.flat[first]:g} {unit} is outside {low:g} to {high:g} {unit}{hint}")
    return array


def _layer_pressure_ratio(height_m, base_h, base_t, lapse):
    """Pressure over the layer's base pressure (equation 33a where the lapse rate is not 0, 33b where it is)."""
    safe_lapse = np.where(lapse == 0.0, 1.0, lapse)
    sloped = (1.0 + safe_lapse * (height_m - base_h) / base_t) ** (-G0_MPS2 / (R_AIR * safe_lapse))
    isothermal = np.exp(-G0_MPS2 * (height_m - base_h) / (R_AIR * base_t))
    return np.where(lapse == 0.0, isothermal, sloped)


def _base_pressures():
    pressures = [SEA_LEVEL_PA]
    for i in range(len(_BASE_H) - 1):
        ratio = _layer_pressure_ratio(_BASE_H[i + 1], _BASE_H[i], _BASE_T[i], _LAPSE[i])
        pressures.append(pressures[-1] * float(ratio))
    return np.array(pressures)


_BASE_P = _base_pressures()


def geopotential_from_altitude(altitude_m):
    """Geopotential height [m] of a geometric altitude [m] (equation 18)."""
    z = np.asarray(altitude_m, dtype=float)
    return EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z)


def altitude_from_geopotential(geopotential_m):
    """Geometric altitude [m] of a geopotential height [m] (equation 19)."""
    h = np.asarray(geopotential_m, dtype=float)
    return EARTH_RADIUS_M * h / (EARTH_RADIUS_M - h)


LAYER_ALTITUDES_M = altitude_from_geopotential(_BASE_H)  # where the lapse rate changes


def gravity_mps2(altitude_m):
    """Acceleration of gravity [m/s2] at a geometric altitude [m], at the standard's latitude (equation 17)."""
    z = np.asarray(altitude_m, dtype=float)
    return G0_MPS2 * (EARTH_RADIUS_M / (EARTH_RADIUS_M + z)) ** 2


def standard_air_at_geopotential(geopotential_m):
    """Standard air at a geopotential height.

    Parameters
    ----------
    geopotential_m : array_like
        Geopotential height, -5000 to 79000; NaN passes through. [m]

    Returns
    -------
    Air
        temperature [K], pressure [Pa], density [kg/m3], speed of sound [m/s].

    Raises
    ------
    ValueError
        If a height lies outside the model.
    """
    h = _checked("geopotential_m", geopotential_m, GEOPOTENTIAL_M_MIN, GEOPOTENTIAL_M_MAX, "m")
    layer = np.clip(np.searchsorted(_BASE_H, h, side="right") - 1, 0, len(_BASE_H) - 1)
    base_h, base_t, lapse = _BASE_H[layer], _BASE_T[layer], _LAPSE[layer]
    temperature = base_t + lapse * (h - base_h)
    pressure = _BASE_P[layer] * _layer_pressure_ratio(h, base_h, base_t, lapse)
    return Air(temperature, pressure, air_density_kg_m3(pressure, temperature), sound_speed_mps(temperature))


def standard_air(altitude_m):
    """Standard air at a *geometric* altitude above mean sea level; see `standard_air_at_geopotential`.

    Parameters
    ----------
    altitude_m : array_like
        Geometric altitude, -4996 to 79994. [m]
    """
    z = _checked("altitude_m", altitude_m, ALTITUDE_M_MIN, ALTITUDE_M_MAX, "m")
    # The clip mends the last digit of a conversion at the very ends; what lies outside was refused above.
    h = np.clip(geopotential_from_altitude(z), GEOPOTENTIAL_M_MIN, GEOPOTENTIAL_M_MAX)
    return standard_air_at_geopotential(h)


def pressure_altitude_m(pressure_pa):
    """Geopotential height at which the standard atmosphere has this pressure ("pressure altitude").

    Parameters
    ----------
    pressure_pa : array_like
        Static pressure, 1.054 to 177686; NaN passes through. [Pa]

    Returns
    -------
    numpy.ndarray
        Geopotential height. [m] `altitude_from_geopotential` makes it comparable with a satellite receiver's.

    Raises
    ------
    ValueError
        If a pressure lies outside the model.
    """
    p = _checked("pressure_pa", pressure_pa, _PA_MIN, _PA_MAX, "Pa", "; is it in hPa?")
    layer = np.clip(np.searchsorted(-_BASE_P, -p, side="right") - 1, 0, len(_BASE_H) - 1)
    base_h, base_t, base_p, lapse = _BASE_H[layer], _BASE_T[layer], _BASE_P[layer], _LAPSE[layer]
    safe_lapse = np.where(lapse == 0.0, 1.0, lapse)
    sloped = base_h + base_t / safe_lapse * ((p / base_p) ** (-R_AIR * safe_lapse / G0_MPS2) - 1.0)
    isothermal = base_h - R_AIR * base_t / G0_MPS2 * np.log(p / base_p)
    return np.where(lapse == 0.0, isothermal, sloped)


def air_density_kg_m3(pressure_pa, temperature_k):
    """Density of dry air [kg/m3] as an ideal gas (equation 42)."""
    return np.asarray(pressure_pa, dtype=float) / (R_AIR * np.asarray(temperature_k, dtype=float))


def sound_speed_mps(temperature_k):
    """Speed of sound [m/s] in dry air (equation 50)."""
    return np.sqrt(GAMMA_AIR * R_AIR * np.asarray(temperature_k, dtype=float))


def viscosity_pa_s(temperature_k):
    """Dynamic viscosity [Pa s] of air, Sutherland's formula with the constants of 1976 (equation 51)."""
    t = np.asarray(temperature_k, dtype=float)
    return 1.458e-6 * t**1.5 / (t + 110.4)


def thickness_m(pressure_low_pa, pressure_high_pa, mean_temperature_k):
    """Geopotential thickness [m] between two pressures, first the lower surface's (hypsometric equation, dry air)."""
    ratio = np.asarray(pressure_low_pa, dtype=float) / np.asarray(pressure_high_pa, dtype=float)
    return R_AIR * np.asarray(mean_temperature_k, dtype=float) / G0_MPS2 * np.log(ratio)


_PA_MAX, _PA_MIN = standard_air_at_geopotential([GEOPOTENTIAL_M_MIN, GEOPOTENTIAL_M_MAX]).pressure_pa

"""The air of the day: pressure, temperature and wind at every height, from a sounding or the standard atmosphere.

Between levels the temperature is linear in the logarithm of pressure and the height follows by the hypsometric
equation, so a level gives back its own pressure and temperature exactly. Below the lowest level the air is in
hydrostatic balance with the standard's 6.5 K/km; above the highest, the temperature goes over into the standard
atmosphere's within a few kilometres, again in balance; wind is held at its lowest and highest value. The air is dry:
humid tropical air is up to 1.5 % lighter than the density here.
"""

from typing import NamedTuple

import numpy as np

from ground.atmosphere import LAYER_ALTITUDES_M, R_AIR, air_density_kg_m3, gravity_mps2, standard_air

FLOOR_M = -1000.0
TOP_M = 60000.0
_LAPSE_BELOW_K_M = 0.0065
_RELAX_M = 3000.0  # e-folding height above the highest level
_STEP_M = 50.0


class AirProfile(NamedTuple):
    """Levels by rising altitude: of the air (height, ln of pascals, kelvin), and of the wind, which has its own."""

    altitude_m: np.ndarray
    ln_pressure: np.ndarray
    level_k: np.ndarray
    wind_altitude_m: np.ndarray
    wind_east_mps: np.ndarray
    wind_north_mps: np.ndarray
    source: str
    notes: tuple
    measured_m: tuple | None = None  # lowest and highest level of a sounding; beyond them the air is assumed

    def _place(self, altitude_m):
        """Index of the level below and the share of ln p between it and the next.

        With T linear in x = ln p, dz = -(R/g) T dx gives a quadratic for x; its root in the form below stays exact
        when both temperatures are equal.
        """
        z = np.asarray(altitude_m, dtype=float)
        i = np.clip(np.searchsorted(self.altitude_m, z, side="right") - 1, 0, len(self.altitude_m) - 2)
        low, high = self.altitude_m[i], self.altitude_m[i + 1]
        t_low, t_high = self.level_k[i], self.level_k[i + 1]
        part = np.clip((z - low) / (high - low), 0.0, 1.0)
        both = t_low + t_high
        share = part * both / (t_low + np.sqrt(t_low**2 + (t_high - t_low) * part * both))
        return i, share

    def pressure_pa(self, altitude_m):
        i, share = self._place(altitude_m)
        return np.exp(self.ln_pressure[i] + share * (self.ln_pressure[i + 1] - self.ln_pressure[i]))

    def temperature_k(self, altitude_m):
        i, share = self._place(altitude_m)
        return self.level_k[i] + share * (self.level_k[i + 1] - self.level_k[i])

    def density_kg_m3(self, altitude_m):
        return air_density_kg_m3(self.pressure_pa(altitude_m), self.temperature_k(altitude_m))

    def wind_mps(self, altitude_m):
        """(towards east, towards north), linear between the levels that have a wind. [m/s]"""
        east = np.interp(altitude_m, self.wind_altitude_m, self.wind_east_mps)
        north = np.interp(altitude_m, self.wind_altitude_m, self.wind_north_mps)
        return east, north


def standard_profile(wind, temperature_offset_c=0.0, sea_level_pressure_hpa=1013.25):
    """Standard atmosphere, made warmer by an offset and deeper by its pressure at sea level, with a `Wind`."""
    z = np.union1d(np.arange(FLOOR_M, TOP_M + _STEP_M, _STEP_M), LAYER_ALTITUDES_M)  # kinks fall on levels
    standard = standard_air(z)
    kelvin = standard.temperature_k + temperature_offset_c
    if temperature_offset_c == 0.0:
        ln_p = np.log(standard.pressure_pa * (sea_level_pressure_hpa / 1013.25))
    else:
        ln_p = _balanced_ln_pressure(z, kelvin, 0.0, np.log(sea_level_pressure_hpa * 100.0))
    return AirProfile(z, ln_p, kelvin, wind.altitude_m, wind.east_mps, wind.north_mps, "standard atmosphere", ())


def sounding_profile(sounding):
    """The air of a `Sounding`, continued below and above it."""
    low, high = sounding.altitude_m[0], sounding.altitude_m[-1]
    parts = [(sounding.altitude_m, np.log(sounding.pressure_pa), sounding.temperature_k)]
    if low > FLOOR_M:
        z = np.append(np.arange(FLOOR_M, low - 1.0, _STEP_M), low)
        kelvin = sounding.temperature_k[0] + _LAPSE_BELOW_K_M * (low - z)
        parts.insert(0, (z[:-1], _balanced_ln_pressure(z, kelvin, low, parts[0][1][0])[:-1], kelvin[:-1]))
    if high < TOP_M:
        z = np.append(high, np.arange(high + _STEP_M, TOP_M + _STEP_M, _STEP_M))
        standard_k = standard_air(z).temperature_k
        kelvin = standard_k + (sounding.temperature_k[-1] - standard_k[0]) * np.exp(-(z - high) / _RELAX_M)
        parts.append((z[1:], _balanced_ln_pressure(z, kelvin, high, parts[-1][1][-1])[1:], kelvin[1:]))
    altitude, ln_p, kelvin = (np.concatenate(column) for column in zip(*parts, strict=True))
    wind, measured = sounding.wind, (float(low), float(high))
    winds = (wind.altitude_m, wind.east_mps, wind.north_mps)
    return AirProfile(altitude, ln_p, kelvin, *winds, sounding.source, sounding.notes, measured)


def _balanced_ln_pressure(z, kelvin, z_known, ln_p_known):
    """ln p on the heights z by the hydrostatic equation, right at one known height (trapezoids: steps are small)."""
    slope = gravity_mps2(z) / (R_AIR * kelvin)
    fall = np.concatenate([[0.0], np.cumsum(0.5 * (slope[1:] + slope[:-1]) * np.diff(z))])
    return ln_p_known - (fall - np.interp(z_known, z, fall))

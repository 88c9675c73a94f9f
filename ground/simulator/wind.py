"""Wind by height: the container, and a plausible invented one for flights without a sounding."""

from typing import NamedTuple

import numpy as np

_STEP_M = 100.0


class Wind(NamedTuple):
    """Where the air moves to, by rising altitude. Meteorologists say where it comes from; the loader has turned it."""

    altitude_m: np.ndarray
    east_mps: np.ndarray
    north_mps: np.ndarray


def components(wind_from_deg, speed_mps):
    """(towards east, towards north) of a wind that comes from a direction. [m/s]"""
    angle = np.deg2rad(np.asarray(wind_from_deg, dtype=float))
    return -speed_mps * np.sin(angle), -speed_mps * np.cos(angle)


def invented_wind(rng, latitude_deg, month, surface_m=0.0, factor=1.0):
    """An invented but ordinary wind: weak below, a jet near the tropopause, a calm near 20 km, the season's above.

    Outside the tropics the jet blows from the west, strongest in the winter half year; the stratosphere blows from
    the west in winter and from the east in summer (common knowledge of the trade, no source). Within 20 degrees of
    the equator it is all from the east. Direction and strength vary with the generator's seed, and a few slow waves
    with height make two layers never quite alike.

    Parameters
    ----------
    rng : numpy.random.Generator
    latitude_deg : float
    month : int
        1 to 12.
    surface_m : float
        Altitude of the ground, which slows the lowest few hundred metres. [m]
    factor : float
        Scales every speed.

    Returns
    -------
    Wind
        From -1 to 60 km.
    """
    z = np.arange(-1000.0, 60000.0 + _STEP_M, _STEP_M)
    winter = np.cos(2.0 * np.pi * (month - 1) / 12.0) * (1.0 if latitude_deg >= 0.0 else -1.0)  # 1 in mid-winter
    tropical = float(np.clip((30.0 - abs(latitude_deg)) / 10.0, 0.0, 1.0))

    surface = rng.uniform(1.5, 4.5)
    jet_height = rng.uniform(9500.0, 11500.0) + 3000.0 * tropical
    jet = (rng.uniform(16.0, 30.0) + 8.0 * winter) * (1.0 - 1.6 * tropical)
    upper = (3.0 + 12.0 * winter) * (1.0 - tropical) - 8.0 * tropical

    shape = np.exp(-(((z - jet_height) / np.where(z < jet_height, 5000.0, 4200.0)) ** 2))
    east = surface + jet * shape + upper / (1.0 + np.exp(-(z - 24000.0) / 2200.0))
    north = rng.uniform(-0.35, 0.35) * jet * shape + rng.uniform(-1.5, 1.5)
    for wavelength in (9000.0, 4300.0, 1900.0):
        size = 2.2 * wavelength / 9000.0 + 0.4
        east += size * np.sin(2.0 * np.pi * (z / wavelength + rng.uniform()))
        north += size * np.sin(2.0 * np.pi * (z / wavelength + rng.uniform()))
    friction = 1.0 - 0.7 * np.exp(-np.clip(z - surface_m, 0.0, None) / 600.0)
    return Wind(z, factor * east * friction, factor * north * friction)

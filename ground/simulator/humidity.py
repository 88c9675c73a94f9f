"""Relative humidity in the box: the air's water, warmed up.

Outside an invented profile, for the air of the simulated day is dry (air.py): 60 % at sea level, 20 % at 12 km, 2 %
from 16 km up, in the manner of textbook soundings; a source for single numbers there is none. The box takes in this
air and is warmer, so its relative humidity is lower by the ratio of the saturation pressures over water (O. Alduchov
and R. Eskridge, Improved Magnus form approximation of saturation vapor pressure, 1996, equation 21; from memory).
"""

import numpy as np

_HEIGHTS_M = (0.0, 12000.0, 16000.0)
_OUTSIDE_PCT = (60.0, 20.0, 2.0)


def saturation_hpa(celsius):
    """Saturation vapour pressure over water, -40 to 50 degC within 0.4 %, an extrapolation below. [hPa]"""
    return 6.1094 * np.exp(17.625 * celsius / (celsius + 243.04))


def box_humidity_pct(altitude_m, air_c, box_c):
    """Relative humidity inside the box, 0 to 100. [%]

    Parameters
    ----------
    altitude_m, air_c, box_c : numpy.ndarray, shape (n,)
        Height above the sea, air outside, air inside.
    """
    outside = np.interp(altitude_m, _HEIGHTS_M, _OUTSIDE_PCT)
    return np.clip(outside * saturation_hpa(air_c) / saturation_hpa(box_c), 0.0, 100.0)

"""The barometer as a witness: at what height it puts the box, for doubts about other parts."""

import numpy as np

from ground.atmosphere import altitude_from_geopotential, pressure_altitude_m
from ground.decode.by_value import rows_by_value
from ground.decode.readings import flags as flag_bits

_PRESSURE_HPA = (0.02, 1700.0)
_GAP_MS = 5000  # silent for longer, it is no witness


class Heights:
    """Geometric heights by pressure, from the barometer with most readings. [m]"""

    def __init__(self, by_boot):
        self._by_boot = by_boot  # boot -> (t_ms, height)

    def at(self, boot, t_ms):
        """Height at some times since a boot [ms]; NaN where the barometer was silent for more than a few seconds."""
        if boot not in self._by_boot:
            return np.full(len(t_ms), np.nan)
        known_ms, height = self._by_boot[boot]
        right = np.minimum(np.searchsorted(known_ms, t_ms), len(known_ms) - 1)
        left = np.maximum(right - 1, 0)
        nearest = np.minimum(np.abs(known_ms[right] - t_ms), np.abs(t_ms - known_ms[left]))
        return np.where(nearest <= _GAP_MS, np.interp(t_ms, known_ms, height), np.nan)


def heights(pressure, bits):
    """Heights from the stamped table of pressures and its flags."""
    hpa, sensor = pressure["pressure_hpa"], pressure["sensor"].codes
    usable = (hpa >= _PRESSURE_HPA[0]) & (hpa <= _PRESSURE_HPA[1]) & ((bits & flag_bits.SUSPECT) == 0) & (sensor >= 0)
    if not usable.any():
        return Heights({})
    usable &= sensor == np.argmax(np.bincount(sensor[usable]))
    seen = np.flatnonzero(usable)
    height = altitude_from_geopotential(pressure_altitude_m(hpa[seen] * 100.0))
    t_ms = pressure["t_ms"][seen]
    by_boot = {}
    for boot, rows in rows_by_value(pressure["boot"][seen]):
        rows = rows[np.argsort(t_ms[rows], kind="stable")]
        by_boot[boot] = t_ms[rows], height[rows]
    return Heights(by_boot)

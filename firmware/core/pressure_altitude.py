"""Pressure altitude in whole metres, for the flight phase only; the ground has the exact formula.

The table holds the altitudes of the U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562, layers to 51 km, sea level at
101325 Pa) at eight pressures an octave; between two of them a straight line is at most 14 m off. It was computed from
the standard's layers, and a test holds it against the package `ussa1976`.
"""

from array import array

from shared_protocol.compat import const

_PA_MIN = const(64)
_PA_MAX = const(131071)

# Geopotential altitude [m] at 64 Pa x 2**octave x (8 + step) / 8
_TABLE = array("i", (
    51355, 50423, 49588, 48833, 48143, 47509, 46922, 46378,  # from 64 Pa
    45871, 44953, 44140, 43410, 42749, 42144, 41588, 41074,  # from 128 Pa
    40595, 39728, 38959, 38270, 37645, 37074, 36549, 36063,  # from 256 Pa
    35611, 34791, 34065, 33414, 32823, 32284, 31788, 31327,  # from 512 Pa
    30897, 30113, 29415, 28785, 28212, 27686, 27200, 26748,  # from 1024 Pa
    26326, 25559, 24875, 24258, 23696, 23180, 22704, 22261,  # from 2048 Pa
    21848, 21096, 20425, 19821, 19269, 18761, 18291, 17854,  # from 4096 Pa
    17444, 16697, 16029, 15425, 14873, 14366, 13896, 13458,  # from 8192 Pa
    13049, 12302, 11634, 11029, 10473, 9954, 9466, 9005,  # from 16384 Pa
    8568, 7758, 7017, 6335, 5700, 5108, 4551, 4025,  # from 32768 Pa
    3527, 2602, 1757, 978, 255, -422, -1057, -1657,  # from 65536 Pa
    -2225,  # 131072 Pa
))  # fmt: skip


def altitude_m(pressure_pa: int) -> int:
    """Geopotential altitude of a pressure from 64 to 131071 Pa; outside, that of the nearest of the two. [m]"""
    pressure_pa = min(max(pressure_pa, _PA_MIN), _PA_MAX)
    shift = 3
    while pressure_pa >> shift >= 16:
        shift += 1
    place = (shift - 4) * 8 + (pressure_pa >> shift)
    low = _TABLE[place]
    return low + ((_TABLE[place + 1] - low) * (pressure_pa & (1 << shift) - 1) >> shift)

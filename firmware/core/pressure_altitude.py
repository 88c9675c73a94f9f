"""Pressure altitude in whole metres, for the flight phase only; the ground has the exact formula.

The table holds the altitudes of the U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562, layers to 51 km, sea level at
101325 Pa) at sixteen pressures an octave; between two of them a straight line is at most 5 m off. It was computed from
the standard's layers, and a test holds it against the package `ussa1976`.
"""

from array import array

from shared_protocol.compat import const

_PA_MIN = const(64)
_PA_MAX = const(131071)

# Geopotential altitude [m] at 64 Pa x 2**octave x (16 + step) / 16
_TABLE = array("i", (
    # 64 Pa
    51355, 50875, 50423, 49994, 49588, 49201, 48833, 48481,
    48143, 47820, 47509, 47210, 46922, 46645, 46378, 46120,
    # 128 Pa
    45871, 45398, 44953, 44535, 44140, 43765, 43410, 43071,
    42749, 42440, 42144, 41861, 41588, 41326, 41074, 40830,
    # 256 Pa
    40595, 40148, 39728, 39333, 38959, 38606, 38270, 37950,
    37645, 37353, 37074, 36806, 36549, 36301, 36063, 35833,
    # 512 Pa
    35611, 35188, 34791, 34418, 34065, 33731, 33414, 33112,
    32823, 32548, 32284, 32031, 31788, 31553, 31327, 31108,
    # 1024 Pa
    30897, 30493, 30113, 29755, 29415, 29093, 28785, 28492,
    28212, 27943, 27686, 27438, 27200, 26970, 26748, 26534,
    # 2048 Pa
    26326, 25931, 25559, 25208, 24875, 24559, 24258, 23970,
    23696, 23432, 23180, 22937, 22704, 22478, 22261, 22051,
    # 4096 Pa
    21848, 21461, 21096, 20752, 20425, 20116, 19821, 19539,
    19269, 19010, 18761, 18522, 18291, 18069, 17854, 17646,
    # 8192 Pa
    17444, 17060, 16697, 16355, 16029, 15720, 15425, 15143,
    14873, 14614, 14366, 14126, 13896, 13673, 13458, 13250,
    # 16384 Pa
    13049, 12664, 12302, 11959, 11634, 11324, 11029, 10746,
    10473, 10209, 9954, 9706, 9466, 9232, 9005, 8784,
    # 32768 Pa
    8568, 8154, 7758, 7380, 7017, 6669, 6335, 6012,
    5700, 5399, 5108, 4825, 4551, 4284, 4025, 3773,
    # 65536 Pa
    3527, 3054, 2602, 2171, 1757, 1360, 978, 610,
    255, -89, -422, -744, -1057, -1361, -1657, -1945,
    # 131072 Pa
    -2225,
))  # fmt: skip


def altitude_m(pressure_pa: int) -> int:
    """Geopotential altitude of a pressure from 64 to 131071 Pa; outside, that of the nearest of the two. [m]"""
    pressure_pa = min(max(pressure_pa, _PA_MIN), _PA_MAX)
    shift = 2
    while pressure_pa >> shift >= 32:
        shift += 1
    place = (shift - 3) * 16 + (pressure_pa >> shift)
    low = _TABLE[place]
    return low + ((_TABLE[place + 1] - low) * (pressure_pa & (1 << shift) - 1) >> shift)

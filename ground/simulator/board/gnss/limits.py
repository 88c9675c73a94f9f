"""What a receiver believes about the thing it is fixed to, and where it therefore stops.

Each dynamic model has a largest altitude, horizontal and vertical speed. Beyond its sanity limits a receiver drops
the fix. Source: u-blox M9 and M10 integration manuals, table of dynamic platform models; airborne models check the
altitude alone. Older generations (M8): 50 km for the airborne models, from secondary sources only, the safe figure.
A plain NMEA receiver that cannot be configured stops at 18 km, by altitude alone: common practice, no source.
"""

_MODELS = {  # altitude_m, horizontal_mps, vertical_mps, are speeds checked
    0: (12000, 310, 50, True),
    2: (9000, 10, 6, True),
    3: (9000, 30, 20, True),
    4: (6000, 100, 15, True),
    5: (500, 25, 5, True),
    6: (80000, 100, 6400, False),
    7: (80000, 250, 10000, False),
    8: (80000, 500, 20000, False),
    9: (9000, 30, 20, True),
}
PORTABLE = 0
_AIRBORNE_MIN, _AIRBORNE_MAX = 6, 8
_AIRBORNE_OLD_M = 50000
_EXPORT_M = 18000


def is_model(number):
    return number in _MODELS


def is_airborne(model):
    """Airborne models give no two-dimensional fixes."""
    return _AIRBORNE_MIN <= model <= _AIRBORNE_MAX


def within(generation, model, altitude_m, horizontal_mps, vertical_mps):
    """Whether a receiver of this generation, set to this model, goes on giving fixes here."""
    if generation == "nmea_only":
        return altitude_m <= _EXPORT_M
    altitude_max_m, horizontal_max, vertical_max, speeds_checked = _MODELS[model]
    if generation == "m8" and is_airborne(model):
        altitude_max_m = _AIRBORNE_OLD_M
    if altitude_m > altitude_max_m:
        return False
    return not speeds_checked or (horizontal_mps <= horizontal_max and abs(vertical_mps) <= vertical_max)

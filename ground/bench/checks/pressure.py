"""The barometer against a station pressure, or a QNH and an elevation, that a person typed in; and its noise.

QNH is the pressure that a place would have at sea level if the air between were the ICAO standard atmosphere (ICAO Doc
7488, up to 11 km the same as the U.S. Standard Atmosphere, 1976); airfields publish it. Going back up: the QNH has its
own height in the standard atmosphere, and the place lies its elevation above that.
"""

import numpy as np

from ground.atmosphere import pressure_altitude_m, standard_air_at_geopotential
from ground.bench.finding import NO_GO, NOT_CHECKED, OK, WARNING, Finding, skipped, with_unit
from ground.bench.statistics import level, noise

SUBJECT = "barometer"
# Accuracy at room conditions [hPa] and noise of one conversion [hPa], from the data sheets: MS5611 TE MS5611-01BA03
# (+-2.5 mbar from 450 to 1100 mbar and -20 to 85 C, 0.012 mbar RMS at OSR 4096), BMP280 Bosch BST-BMP280-DS001 (+-1
# hPa, 1.3 Pa RMS at ultra high resolution without filter), BME280 Bosch BST-BME280-DS002 (the same). BMP280's and
# BME280's figures are from memory. The firmware reads the BMP280 at x8: 1.6 Pa.
ACCURACY_HPA = {"ms5611": 2.5, "bmp280": 1.0, "bme280": 1.0}
NOISE_HPA = {"ms5611": 0.012, "bmp280": 0.016, "bme280": 0.016}
_NOISE_FACTOR = 3.0  # a door, a gust at the window and the specimen's own luck
_NOISE_NO_GO = 15.0
_READINGS_MIN = 30
_ROOM_HPA = (450.0, 1090.0)  # any place where a bench can stand


def check(evidence, parts):
    """Findings about level and noise."""
    part = parts["barometer"]
    if not part.is_live:
        why = "the barometer gives no live readings; that comes first"
        return [skipped(SUBJECT, "pressure level", why), skipped(SUBJECT, "pressure noise", why)]
    _, hpa = evidence.series("pressure", "pressure_hpa")
    if len(hpa) < _READINGS_MIN:
        why = f"only {len(hpa)} good readings; {_READINGS_MIN} are needed"
        do = "Let it run for a few seconds more."
        return [skipped(SUBJECT, "pressure level", why, do), skipped(SUBJECT, "pressure noise", why, do)]
    return [_level(evidence, part, hpa), _noise(part, hpa)]


def expected_pressure(answers):
    """`(hPa, uncertainty, what it was made of)` at the box, or None if nobody typed one in."""
    if answers.station_pressure_hpa is not None:
        reading = answers.station_pressure_hpa
        return reading.value, reading.uncertainty, "station pressure typed in"
    if answers.qnh_hpa is None or answers.elevation_m is None:
        return None
    qnh, elevation = answers.qnh_hpa, answers.elevation_m
    hpa = station_from_qnh(qnh.value, elevation.value)
    of_qnh = station_from_qnh(qnh.value + qnh.uncertainty, elevation.value) - hpa
    of_height = station_from_qnh(qnh.value, elevation.value + elevation.uncertainty) - hpa
    return hpa, float(np.hypot(of_qnh, of_height)), f"QNH {qnh.value:g} hPa at {elevation.value:g} m"


def station_from_qnh(qnh_hpa, elevation_m):
    """Pressure at an elevation [m] where the airfield says this QNH. [hPa]

    Elevations are small, so geopotential and geometric metres are taken as one here: 1 m apart at 2500 m.
    """
    base_m = pressure_altitude_m(qnh_hpa * 100.0)
    return float(standard_air_at_geopotential(base_m + elevation_m).pressure_pa) / 100.0


def _level(evidence, part, hpa):
    mean, scatter = level(hpa)
    accuracy = ACCURACY_HPA.get(part.chip, 2.5)
    uncertainty = float(np.hypot(accuracy, scatter))
    measured = with_unit(mean, accuracy, "hPa", 1)
    common = {"value": mean, "uncertainty": uncertainty, "unit": "hPa"}
    reference = expected_pressure(evidence.answers)
    if not _ROOM_HPA[0] <= mean <= _ROOM_HPA[1]:
        return Finding(
            SUBJECT, "pressure level", NO_GO, measured, f"{_ROOM_HPA[0]:g} to {_ROOM_HPA[1]:g} hPa, wherever you are",
            "No place on land has this pressure, so the sensor or its calibration words are wrong.",
            'Check that pressure_chip in the settings is the chip on the board ("auto" finds out); else replace it.',
            **common,
        )  # fmt: skip
    if reference is None:
        return Finding(
            SUBJECT, "pressure level", NOT_CHECKED, measured, "a pressure typed in",
            "Nothing was typed in to compare it with.",
            "Type --qnh of the nearest airfield and --elevation of your table, or --station-pressure from a weather "
            "station near you that does not reduce it to sea level.", **common,
        )  # fmt: skip
    value, own, said = reference
    allowed = float(np.hypot(accuracy, 2.0 * own))
    off = mean - value
    expected = f"{value - allowed:.1f} to {value + allowed:.1f} hPa ({said}, data sheet accuracy {accuracy:g} hPa)"
    if abs(off) <= allowed:
        return Finding(
            SUBJECT,
            "pressure level",
            OK,
            measured,
            expected,
            f"{off:+.1f} hPa off, within what both may be wrong.",
            **common,
        )
    verdict = NO_GO if abs(off) > 3.0 * allowed else WARNING
    metres = abs(off) * 8.3
    return Finding(
        SUBJECT, "pressure level", verdict, measured, expected,
        f"{off:+.1f} hPa off: more than barometer and reference may be wrong. Near the ground that is {metres:.0f} m "
        "of height.",
        _level_advice(evidence, off), **common,
    )  # fmt: skip


def _level_advice(evidence, off_hpa):
    if evidence.answers.station_pressure_hpa is not None and off_hpa < -10.0:
        return (
            "Is what you typed really the pressure of your place? Weather reports give it reduced to sea level: then "
            "type it as --qnh, with --elevation. If it is right, replace the barometer."
        )
    return (
        "Check that the reading is from now, from near you, and the elevation that of your table. If it is right, "
        "keep the difference as a calibration point (--calibrate pressure), or replace the barometer if it is more "
        "than 10 hPa."
    )


def _noise(part, hpa):
    own = noise(hpa)
    stated = NOISE_HPA.get(part.chip, 0.016)
    most = _NOISE_FACTOR * stated
    measured = f"{100.0 * own:.1f} Pa RMS, one reading to the next"
    expected = f"up to {100.0 * most:.1f} Pa ({part.chip.upper()} data sheet: {100.0 * stated:.1f} Pa)"
    common = {"value": 100.0 * own, "uncertainty": 100.0 * own / np.sqrt(2.0 * len(hpa)), "unit": "Pa"}
    if own <= most:
        return Finding(SUBJECT, "pressure noise", OK, measured, expected, "As quiet as its data sheet.", **common)
    verdict = NO_GO if own > _NOISE_NO_GO * stated else WARNING
    return Finding(
        SUBJECT, "pressure noise", verdict, measured, expected,
        f"It jumps by {830.0 * own:.0f} cm of height from reading to reading: a draught, light on the chip, a weak "
        "supply or a bad sensor.",
        "Close doors and windows, put foam over the sensor, shade it from sun and lamp, and run again. If it stays, "
        "measure its supply (3.3 V, steady), then replace it.", **common,
    )  # fmt: skip

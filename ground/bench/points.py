"""Calibration points from a bench run: the board's readings against what was typed in."""

import numpy as np

from ground.bench.calibration import QUANTITIES, Point, calibrate
from ground.bench.checks.pressure import expected_pressure
from ground.bench.checks.thermometers import BATH_C
from ground.bench.identities import identities
from ground.bench.statistics import level
from ground.errors import InputError

# What limits a comparison besides scatter and reference: the sensor's own step. [unit]
_STEPS = {"pressure": 0.02, "outside": 0.0625, "inside": 0.0625, "volts": 0.004, "current": 0.1, "battery": 0.01}
_READINGS_MIN = 5
_NEEDS = {
    "pressure": "--station-pressure, or --qnh and --elevation",
    "outside": "--ice-bath outside, or --thermometer",
    "inside": "--ice-bath inside, or --thermometer",
    "volts": "--panel-volts",
    "current": "--panel-ma",
    "battery": "--battery-volts",
}


def check_quantities(quantities, answers=None):
    """Raise InputError for one that cannot be calibrated, or for which these answers hold nothing to compare with.

    `answers` None: they are still to be asked for.
    """
    for quantity in quantities:
        if quantity not in QUANTITIES:
            raise InputError(f"--calibrate {quantity}: must be one of {', '.join(QUANTITIES)}")
        if answers is not None and _reference(answers, quantity) is None:
            raise InputError(f"--calibrate {quantity}: nothing was typed in to compare with; give {_NEEDS[quantity]}")


def add_points(evidence, earlier, quantities, utc):
    """Earlier points with the new ones.

    A point that cannot be made, or would make an absurd calibration, is left out and told: the evening's record is
    worth more than it.

    Parameters
    ----------
    evidence : Evidence
    earlier : list of Point
    quantities : sequence of str
    utc : str
        Now, ISO 8601.

    Returns
    -------
    (list of Point, list of str)
        The points, and why others were left out.
    """
    kept, refused = list(earlier), []
    for quantity in quantities:
        try:
            point = make_point(evidence, quantity, utc)
            calibrate([*(one for one in kept if (one.quantity, one.identity) == (quantity, point.identity)), point])
        except InputError as error:
            refused.append(str(error))
        else:
            kept.append(point)
    return kept, refused


def make_point(evidence, quantity, utc):
    """Compare now.

    Parameters
    ----------
    evidence : Evidence
    quantity : str
        Of QUANTITIES.
    utc : str
        Now, ISO 8601.

    Returns
    -------
    Point

    Raises
    ------
    InputError
        If nothing was typed in, the sensor gives no readings, or it is not known which specimen it is.
    """
    check_quantities((quantity,), evidence.answers)
    what = QUANTITIES[quantity]
    identity = identities(evidence.tables).get(quantity)
    values = _values(evidence, what)
    if len(values) < _READINGS_MIN or identity is None:
        raise InputError(
            f"--calibrate {quantity}: the {what.title} has not given enough readings, or not said which one it is; "
            "let the bench run for more than a minute and look at its checks"
        )
    end = values[-max(len(values) // 3, _READINGS_MIN) :] if quantity in ("outside", "inside") else values
    read, scatter = level(end)
    value, own, how = _reference(evidence.answers, quantity)
    uncertainty = float(np.sqrt(scatter**2 + own**2 + _STEPS[quantity] ** 2 / 12.0))
    return Point(quantity, identity, round(read, 4), value, round(uncertainty, 4), how, utc)


def _values(evidence, what):
    if what.table == "health":
        volts = evidence.column("health", what.column)[evidence.column("health", "boot") == evidence.boot]
        return volts[np.isfinite(volts)]
    return evidence.series(what.table, what.column, **dict(what.words))[1]


def _reference(answers, quantity):
    """`(value, uncertainty, how)`, None if nothing fitting was typed in."""
    if quantity == "pressure":
        expected = expected_pressure(answers)
        return (round(expected[0], 3), expected[1], expected[2]) if expected else None
    if quantity in ("outside", "inside"):
        if quantity in answers.ice_bath:
            return 0.0, BATH_C, "melting ice"
        reading, how = answers.thermometer_c, "thermometer beside it"
    else:
        reading = {"volts": answers.panel_volts, "current": answers.panel_ma, "battery": answers.battery_volts}[
            quantity
        ]
        how = "multimeter"
    return (reading.value, reading.uncertainty, how) if reading is not None else None

"""Calibration points: what the board and a better instrument said at the same time, and the line through them.

One point of a pressure or a temperature moves all readings by the difference (offset). One point of a voltage or a
current scales them, because a shunt or a divider is wrong by a share and reads nothing at nothing. Two points or more
make a straight line. The uncertainty of a corrected reading is that of the points, and grows beyond them as a line
through uncertain points does; nobody knows more.
"""

from dataclasses import asdict, dataclass

import numpy as np

from ground.errors import InputError


@dataclass(frozen=True)
class Quantity:
    """What can be calibrated: its unit, how far two points must lie apart, whether one point scales, what is absurd."""

    title: str
    unit: str
    spread_min: float
    one_point_scales: bool
    correction_max: float  # share of the reading where it scales, else in the unit
    table: str
    column: str
    words: tuple[tuple[str, str], ...] = ()  # text columns that tell its rows


QUANTITIES = {
    "pressure": Quantity("barometer", "hPa", 20.0, False, 15.0, "pressure", "pressure_hpa"),
    "outside": Quantity(
        "outside thermometer", "°C", 5.0, False, 4.0, "temperature", "temperature_c", (("probe", "outside"),)
    ),
    "inside": Quantity(
        "inside thermometer", "°C", 5.0, False, 4.0, "temperature", "temperature_c", (("probe", "inside"),)
    ),
    "volts": Quantity("panel volts", "V", 0.5, True, 0.1, "power", "bus_v", (("channel", "panel"),)),
    "current": Quantity("panel current", "mA", 5.0, True, 0.15, "power", "current_ma", (("channel", "panel"),)),
    "battery": Quantity("battery volts", "V", 0.3, True, 0.1, "health", "battery_v"),
}


@dataclass(frozen=True)
class Point:
    """One comparison. `uncertainty` is that of reading minus reference, both together; `utc` ISO 8601."""

    quantity: str
    identity: str  # of the sensor, see identities.py
    read: float
    reference: float
    uncertainty: float
    how: str
    utc: str

    def as_dict(self):
        """As it stands in bench.json."""
        return asdict(self)


@dataclass(frozen=True)
class Calibration:
    """corrected = gain x read + offset, for one quantity of one sensor."""

    quantity: str
    identity: str
    gain: float
    offset: float
    points: tuple[Point, ...]

    @property
    def method(self):
        """In a word."""
        return "line" if len(self.points) > 1 and self.gain != 1.0 else ("factor" if self.gain != 1.0 else "offset")

    def corrected(self, values):
        """Readings as the reference would have shown them; array_like, same unit."""
        return self.gain * np.asarray(values, dtype=float) + self.offset

    def uncertainty(self, values):
        """Standard uncertainty that the points give to corrected readings; array, same unit."""
        x = np.asarray(values, dtype=float)
        reads = np.array([point.read for point in self.points])
        own = np.array([point.uncertainty for point in self.points])
        if self.method == "offset":
            return np.full(x.shape, float(np.sqrt(np.sum(own**2)) / len(own)))
        if self.method == "factor":
            return np.abs(x) * float(np.sqrt(np.sum((own * reads) ** 2)) / np.sum(reads**2))
        middle = reads - reads.mean()
        weights = 1.0 / len(reads) + np.multiply.outer(x - reads.mean(), middle) / np.sum(middle**2)
        return np.sqrt(np.sum((weights * own) ** 2, axis=-1))

    def sentence(self):
        """In words, for notes and the record."""
        quantity = QUANTITIES[self.quantity]
        own = float(np.max(self.uncertainty([point.read for point in self.points])))
        said = {
            "offset": f"{self.offset:+.3g} {quantity.unit}",
            "factor": f"times {self.gain:.4f}",
            "line": f"times {self.gain:.5f} {self.offset:+.3g} {quantity.unit}",
        }[self.method]
        count = "1 point" if len(self.points) == 1 else f"{len(self.points)} points"
        return f"{quantity.title}: {said}, from {count}, within {own:.2g} {quantity.unit} there"

    def as_dict(self):
        """As it stands in bench.json."""
        return {
            "quantity": self.quantity, "identity": self.identity, "method": self.method, "gain": self.gain,
            "offset": self.offset, "unit": QUANTITIES[self.quantity].unit,
            "points": [point.as_dict() for point in self.points],
        }  # fmt: skip


def calibrate(points):
    """The calibration of one quantity of one sensor.

    Parameters
    ----------
    points : sequence of Point
        At least one, all of one quantity and identity.

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        If the correction is too large to be one: then something is broken or a slip was typed.
    """
    points = tuple(points)
    quantity = QUANTITIES[points[0].quantity]
    reads = np.array([point.read for point in points])
    references = np.array([point.reference for point in points])
    gain, offset = 1.0, 0.0
    if np.ptp(reads) >= quantity.spread_min:
        gain, offset = (float(value) for value in np.polyfit(reads, references, 1))
    elif quantity.one_point_scales:
        gain = float(np.sum(reads * references) / np.sum(reads**2)) if np.any(reads) else 1.0
    else:
        offset = float(np.mean(references - reads))
    made = Calibration(points[0].quantity, points[0].identity, gain, offset, points)
    _refuse_the_absurd(made, quantity, reads)
    return made


def _refuse_the_absurd(made, quantity, reads):
    moved = made.corrected(reads) - reads
    worst = np.abs(moved) / np.maximum(np.abs(reads), 1e-9) if quantity.one_point_scales else np.abs(moved)
    at = int(np.argmax(worst))
    if worst[at] > quantity.correction_max:
        limit = (
            f"{100 * quantity.correction_max:.0f} %" if quantity.one_point_scales
            else f"{quantity.correction_max:g} {quantity.unit}"
        )  # fmt: skip
        point = made.points[at]
        raise InputError(
            f"calibration of the {quantity.title}: the board reads {point.read:g} and the reference "
            f"{point.reference:g} {quantity.unit}; more than {limit} is no calibration but a fault: look for it, or "
            "correct what was typed"
        )


def calibrations_of(points):
    """All calibrations that these points make, by (quantity, identity); list of Calibration."""
    groups = {}
    for point in points:
        groups.setdefault((point.quantity, point.identity), []).append(point)
    return [calibrate(group) for group in groups.values()]


def point_from_dict(raw):
    """A Point as it stands in bench.json. Raises InputError for one that is none."""
    try:
        point = Point(**{key: raw[key] for key in Point.__dataclass_fields__})
        numbers = (point.read, point.reference, point.uncertainty)
        if point.quantity not in QUANTITIES or not all(np.isfinite(number) for number in numbers):
            raise ValueError
    except (KeyError, TypeError, ValueError):
        raise InputError("a calibration point is damaged or of a newer version") from None
    return point

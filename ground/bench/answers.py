"""What a person at the bench typed in: readings of other instruments, and what they saw and heard."""

import re
from dataclasses import asdict, dataclass
from typing import NamedTuple

from ground.errors import InputError

_READING = re.compile(r"([-+]?[0-9]+(?:[.,][0-9]+)?)\s*(?:(?:\+-|\+/-|±)\s*([0-9]+(?:[.,][0-9]+)?))?")


@dataclass(frozen=True)
class Reading:
    """A value from another instrument and its uncertainty, in the same unit."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class Answers:
    """All of it; None is "nobody said". Units are in the names."""

    station_pressure_hpa: Reading | None = None  # at the height of the box
    qnh_hpa: Reading | None = None  # reduced to sea level by the standard atmosphere, as airfields give it
    elevation_m: Reading | None = None  # of the box
    ice_bath: tuple[str, ...] = ()  # probes that are in melting ice
    thermometer_c: Reading | None = None  # another thermometer, right beside the probes
    warmed: str | None = None  # the probe that was warmed by hand in this run
    panel_volts: Reading | None = None  # at the load, by a multimeter
    panel_ma: Reading | None = None
    battery_volts: Reading | None = None  # at the battery's terminals, board running
    battery_rest_volts: Reading | None = None  # board switched off
    sounder_heard: bool | None = None
    led_seen: bool | None = None
    side_by_side: bool = False  # all thermometers lie together, for minutes already
    indoors: bool = False

    def as_dict(self):
        """As it stands in bench.json; only what was said."""
        said = {key: value for key, value in asdict(self).items() if value is not None and value != ()}
        return {key: value for key, value in said.items() if value is not False or key in ("sounder_heard", "led_seen")}


class _Typed(NamedTuple):
    """How a reading is typed: its option, range, uncertainty where none is typed, unit, what may have gone wrong."""

    option: str
    low: float
    high: float
    uncertainty: float | None
    unit: str
    hint: str


_TYPED = {
    "station_pressure_hpa": _Typed(
        "--station-pressure", 450.0, 1090.0, 0.5, "hPa", "is it in hPa, and of your place and not of sea level?"
    ),
    "qnh_hpa": _Typed("--qnh", 870.0, 1090.0, 1.0, "hPa", "is it in hPa?"),
    "elevation_m": _Typed("--elevation", -430.0, 6000.0, 5.0, "m", "is it in metres?"),
    "thermometer_c": _Typed("--thermometer", -80.0, 60.0, 0.5, "C", "is it in degrees Celsius?"),
    "panel_volts": _Typed("--panel-volts", -30.0, 60.0, None, "V", "is it in volts?"),
    "panel_ma": _Typed("--panel-ma", -20000.0, 20000.0, None, "mA", "is it in milliamperes?"),
    "battery_volts": _Typed("--battery-volts", 0.5, 60.0, None, "V", "is it in volts?"),
    "battery_rest_volts": _Typed("--battery-rest-volts", 0.5, 60.0, None, "V", "is it in volts?"),
}
# A hand multimeter without its sheet: 1 % and a last digit of the usual range. Common practice, no source.
_METER_SHARE, _METER_FLOOR = 0.01, {"V": 0.01, "mA": 0.2}


def parse_reading(key, text, *, is_option=True):
    """`"1003.2"` or `"1003.2+-0.3"` as a Reading.

    Raises
    ------
    InputError
        One line: which option (if it came as one and is no answer to a question), what was typed, what is allowed.
    """
    typed = _TYPED[key]
    unit, name = typed.unit, f"{typed.option} " if is_option else ""
    match = _READING.fullmatch(re.sub(rf"\s*°?{unit}$", "", text.strip()))  # whoever types the unit means it
    if match is None:
        raise InputError(f"{name}{text!r}: is not a number in {unit}; write 12.3, or 12.3+-0.2 with its uncertainty")
    value = float(match[1].replace(",", "."))
    if not typed.low <= value <= typed.high:
        raise InputError(f"{name}{value:g} {unit}: must be {typed.low:g} to {typed.high:g} {unit}; {typed.hint}")
    if match[2] is not None:
        uncertainty = float(match[2].replace(",", "."))
    elif typed.uncertainty is not None:
        uncertainty = typed.uncertainty
    else:
        uncertainty = abs(value) * _METER_SHARE + _METER_FLOOR[unit]
    if uncertainty > 0.2 * max(abs(value), 1.0):
        raise InputError(f"{name}{text!r}: an uncertainty of {uncertainty:g} {unit} says nothing; give a smaller one")
    return Reading(value, uncertainty)

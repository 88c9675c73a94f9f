"""Measured soundings: a CSV of six columns to levels of air and wind, or one line that says what is wrong with it.

Columns, in any order, named in the first row (lines that begin with # may stand above it), a blank where there is no
value: `pressure_hpa, height_m, temperature_c, dewpoint_c, wind_from_deg, wind_speed_ms`, with commas between them, or
with semicolons or tabs and then decimal commas or points. Rows may come in any order too, and
some may lack a pressure (wind-only levels), a height, a temperature or a wind. `height_m` is taken as altitude above
mean sea level as it stands; archives often give geopotential metres (150 m less at 31 km), which the caller may say.

A wrong file is worse than none, because its flight looks real. So the loader checks that the numbers can be air:
ranges, pressure falling with height, and heights that fit pressures and temperatures by the hypsometric equation.
"""

import csv
import difflib
import io
import math
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ground.atmosphere import G0_MPS2, R_AIR, altitude_from_geopotential
from ground.errors import InputError
from ground.simulator.wind import Wind, components

# Possible values, wider than any weather: record extremes and a margin (from memory).
RANGES = {
    "pressure_hpa": (0.01, 1100.0),
    "height_m": (-500.0, 60000.0),
    "temperature_c": (-120.0, 60.0),
    "dewpoint_c": (-200.0, 60.0),
    "wind_from_deg": (0.0, 360.0),
    "wind_speed_ms": (0.0, 150.0),
}
_UNITS = {
    "pressure_hpa": "hectopascal",
    "height_m": "metres above the sea",
    "temperature_c": "degrees Celsius",
    "dewpoint_c": "degrees Celsius",
    "wind_from_deg": "degrees, where the wind comes from",
    "wind_speed_ms": "metres a second",
}
_SEPARATORS = (",", ";", "\t")  # the first wins where none finds a name
LEVELS_MIN = 3
_BYTES_MAX = 64 * 2**20
_THICKNESS_ERROR_MAX = 0.05  # humid tropics are 0.3 % off; geopotential against geometric 0.5 %
_THICKNESS_ERROR_PER_GAP = 0.06  # more for each unit of ln p (7 km) beyond one without a level in between
_PRESSURE_RISE_MAX = 0.02  # of the value: rounding, and a sonde's pendulum


class Sounding(NamedTuple):
    """Levels by rising altitude, and the winds, which may have levels of their own. `notes` say what was assumed."""

    altitude_m: np.ndarray
    pressure_pa: np.ndarray
    temperature_k: np.ndarray
    wind: Wind
    source: str
    notes: tuple


def load_sounding(path, heights="altitude"):
    """Read a sounding.

    Parameters
    ----------
    path : str or pathlib.Path
    heights : {"altitude", "geopotential"}
        What `height_m` means; geopotential heights are converted to altitudes.

    Returns
    -------
    Sounding

    Raises
    ------
    InputError
        One line with file, row and column, for a file that is missing, no CSV, incomplete, or no air.
    """
    columns = _read_columns(Path(path))
    _check_dewpoint(columns, path)
    notes: list[str] = []
    if heights == "geopotential":
        columns["height_m"] = altitude_from_geopotential(columns["height_m"])
    altitude, pressure, kelvin = _air_levels(columns, path)
    wind = _wind_levels(columns, altitude, pressure, notes)
    return Sounding(altitude, pressure, kelvin, wind, Path(path).name, tuple(notes))


def _read_columns(path):
    """Arrays by column name, NaN for a blank."""
    text = _read_text(path)
    separator = _separator(text)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error as err:
        raise InputError(f"{path}: is not a CSV file ({err}); a sounding needs the columns {_names()}") from None
    top = next((i for i, row in enumerate(rows) if row and not row[0].lstrip().startswith("#")), 0)
    header = [name.strip().lower() for name in rows[top]] if rows else []
    _check_header(path, header, top + 1)
    place = {name: header.index(name) for name in RANGES}
    values: dict[str, list[float]] = {name: [] for name in RANGES}
    for number, row in enumerate(rows[top + 1 :], start=top + 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            raise InputError(f"{path}, row {number}: {len(row)} values for {len(header)} columns; a comma too many?")
        if number == top + 2 and not any(character.isdigit() for cell in row for character in cell):
            raise InputError(f"{path}, row {number}: holds no number; if it is a row of units, take it out")
        for name, index in place.items():
            cell = row[index].strip() if index < len(row) else ""
            if separator != ",":
                cell = cell.replace(",", ".")
            values[name].append(_number(path, number, name, cell))
    return {name: np.array(column, dtype=float) for name, column in values.items()}


def _separator(text):
    """What stands between the columns: the one that finds most of their names. Spreadsheets of many countries write
    semicolons, and then commas in numbers."""
    head = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    names = {s: {cell.strip().strip('"').lower() for cell in head.split(s)} for s in _SEPARATORS}
    return max(_SEPARATORS, key=lambda s: len(names[s] & RANGES.keys()))


def _read_text(path):
    try:
        if path.stat().st_size > _BYTES_MAX:
            raise InputError(f"{path}: is larger than {_BYTES_MAX >> 20} MiB, no sounding is; give a CSV file")
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such sounding file; check the name") from None
    except OSError as err:
        raise InputError(f"{path}: cannot be read ({err.strerror}); give a sounding's CSV file") from None
    except UnicodeDecodeError:
        raise InputError(
            f"{path}: is not a text file in UTF-8; a sounding is a CSV with the columns {_names()}"
        ) from None
    if "\0" in text:
        raise InputError(f"{path}: is not a text file in UTF-8; a sounding is a CSV with the columns {_names()}")
    return text


def _names():
    return ", ".join(RANGES)


def _check_header(path, header, row):
    missing = [name for name in RANGES if name not in header]
    if missing and len(missing) == len(RANGES):
        raise InputError(f"{path}, row {row}: is not the header of a sounding; it needs the columns {_names()}")
    for name in missing:
        spare = [other for other in header if other not in RANGES and other.isprintable()]
        near = difflib.get_close_matches(name, spare, n=1, cutoff=0.6)
        found = f"is {near[0]} meant?" if near else "if it is unknown, leave its values blank"
        if near and near[0].rsplit("_", 1)[-1] != name.rsplit("_", 1)[-1]:
            found += f" Then name it so and mind the unit: {name} is in {_UNITS[name]}"
        raise InputError(f"{path}, row {row}: the column {name} is missing; {found}")
    for name in RANGES:
        if header.count(name) > 1:
            raise InputError(f"{path}, row {row}: the column {name} is there {header.count(name)} times; keep one")


def _number(path, row, name, cell):
    """A cell's value, NaN for a blank."""
    if not cell:
        return math.nan
    try:
        value = float(cell)
    except ValueError:
        shown = cell if len(cell) <= 30 and cell.isprintable() else ascii(cell[:30]) + "..."
        raise InputError(f"{path}, row {row}, {name}: {shown} is not a number; leave it blank if unknown") from None
    low, high = RANGES[name]
    if math.isnan(value):
        return value
    if not low <= value <= high:
        raise InputError(
            f"{path}, row {row}, {name} = {value:g} is outside {low:g} to {high:g}; are two columns swapped, "
            f"another unit used, or a blank written as a number?"
        )
    return value


def _check_dewpoint(columns, path):
    """Air is never drier than its dew point allows: a column that is above the temperature is the temperature."""
    both = np.isfinite(columns["temperature_c"]) & np.isfinite(columns["dewpoint_c"])
    above = columns["dewpoint_c"][both] > columns["temperature_c"][both] + 1.0
    if np.count_nonzero(above) * 2 > np.count_nonzero(both):
        raise InputError(f"{path}: dewpoint_c is above temperature_c in most rows; are these two columns swapped?")


def _air_levels(columns, path):
    """(altitude, pressure [Pa], temperature [K]) by strictly rising altitude."""
    p, z, t = (columns[name] for name in ("pressure_hpa", "height_m", "temperature_c"))
    complete = np.count_nonzero(np.isfinite(p) & np.isfinite(z) & np.isfinite(t))
    if complete < LEVELS_MIN:
        raise InputError(
            f"{path}: {complete} levels have pressure_hpa, height_m and temperature_c; at least {LEVELS_MIN} are needed"
        )
    has_p = np.isfinite(p)
    order = np.argsort(-p[has_p], kind="stable")
    p, z, kelvin = p[has_p][order] * 100.0, z[has_p][order], t[has_p][order] + 273.15
    x = -np.log(p)
    kelvin = _filled(x, kelvin)
    _check_falling(path, p, z)
    z = _filled_heights(path, x, kelvin, z)
    order = np.argsort(z, kind="stable")  # equal or noisy pressures: height decides, pressure then may not rise
    z, p, kelvin = z[order], np.minimum.accumulate(p[order]), kelvin[order]
    keep = np.concatenate([[True], np.diff(z) > 0.0])
    if np.count_nonzero(keep) < LEVELS_MIN:
        raise InputError(f"{path}: only {np.count_nonzero(keep)} different heights; at least {LEVELS_MIN} are needed")
    return z[keep], _without_stairs(z[keep], p[keep]), kelvin[keep]


def _without_stairs(z, p):
    """Pressures without the steps of rounding (0.1 hPa is 140 m at 35 km): the air then falls smoothly.

    A run of three or more levels with one pressure keeps it in its middle, and between such middles and the other
    levels ln p is linear. That moves a pressure by half a rounding step at most; left alone, the staircase would make
    every barometer of the flight stop and jump.
    """
    start = np.flatnonzero(np.concatenate([[True], np.diff(p) != 0.0]))
    size = np.diff(np.append(start, len(p)))
    run = np.repeat(np.arange(len(start)), size)
    middle = np.bincount(run, z) / size
    stairs = size[run] >= 3
    nodes = np.where(stairs, middle[run], z)
    return np.where(stairs, np.exp(np.interp(z, nodes, np.log(p))), p)


def _filled(x, values):
    """Gaps filled along rising x, ends held."""
    known = np.isfinite(values)
    return np.where(known, values, np.interp(x, x[known], values[known]))


def _check_falling(path, p, z):
    """Pressure must fall with height; small noise is allowed. Names the first level that breaks the rule."""
    known = np.isfinite(z)
    order = np.argsort(z[known], kind="stable")
    rising, heights = p[known][order], z[known][order]
    lowest = np.minimum.accumulate(rising)
    wrong = rising[1:] > lowest[:-1] * (1.0 + _PRESSURE_RISE_MAX)
    if np.any(wrong):
        i = int(np.flatnonzero(wrong)[0]) + 1
        raise InputError(
            f"{path}: pressure_hpa rises with height, to {rising[i] / 100:g} at {heights[i]:g} m; "
            f"are columns swapped, or rows of two soundings mixed?"
        )


def _filled_heights(path, x, kelvin, z):
    """Heights of all pressure levels: the given ones, and between them the hypsometric equation's, fitted to them."""
    mean_k = 0.5 * (kelvin[1:] + kelvin[:-1])
    built = np.concatenate([[0.0], np.cumsum(R_AIR / G0_MPS2 * mean_k * np.diff(x))])
    known = np.isfinite(z)
    first, last = np.flatnonzero(known)[[0, -1]]
    given, expected = z[last] - z[first], built[last] - built[first]
    allowed = _THICKNESS_ERROR_MAX + _THICKNESS_ERROR_PER_GAP * max(0.0, float(np.max(np.diff(x))) - 1.0)
    if expected > 50.0 and abs(given / expected - 1.0) > allowed:
        raise InputError(
            f"{path}: height_m does not fit pressure and temperature: {given:.0f} m between lowest and highest level, "
            f"where air of these temperatures needs {expected:.0f} m; wrong unit, or columns swapped?"
        )
    return np.where(known, z, built + np.interp(x, x[known], (z - built)[known]))


def _wind_levels(columns, altitude, pressure, notes):
    """`Wind` of every level with a wind; one without a height takes it from its pressure."""
    p, z = columns["pressure_hpa"] * 100.0, columns["height_m"].copy()
    by_pressure = np.isnan(z) & np.isfinite(p)
    z[by_pressure] = np.interp(-np.log(p[by_pressure]), -np.log(pressure), altitude)
    speed = columns["wind_speed_ms"]
    direction = np.where(speed == 0.0, 0.0, columns["wind_from_deg"])
    known = np.isfinite(z) & np.isfinite(speed) & np.isfinite(direction)
    if not np.any(known):
        notes.append("the sounding has no wind: calm air assumed")
        return Wind(altitude[[0, -1]], np.zeros(2), np.zeros(2))
    east, north = components(direction[known], speed[known])
    heights, level = np.unique(z[known], return_inverse=True)
    count = np.bincount(level)
    if heights[-1] < altitude[-1] - 500.0:
        notes.append(f"the sounding has no wind above {heights[-1]:.0f} m: held from there up")
    return Wind(heights, np.bincount(level, east) / count, np.bincount(level, north) / count)

"""flight.parquet: one row for each second of the flight, every instrument beside every other."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ground.atmosphere import altitude_from_geopotential, pressure_altitude_m
from ground.decode.by_value import rows_by_value
from ground.decode.copies import FLASH
from ground.decode.course import phases as phase_finder
from ground.decode.course.resample import INTERPOLATED, per_second, seconds_touched
from ground.decode.readings import flags as flag_bits
from ground.decode.readings.instruments import column_part
from ground.decode.table import Moments, Table, Words
from shared_protocol import records as declared

_SPAN_MS_MAX = 6 * 3600 * 1000  # a longer pause between boots is left out of the rows
_CLAIM_MS_MAX = 7 * 86_400_000
_STRETCH_MS = 10_000
_PRESSURE_HPA = (0.02, 1700.0)  # inside the standard atmosphere's model; other values have no altitude
_BIN_M = 250.0
_CLIMB_S = 3
_SETS_APART_MS = 7000  # of the second copy: 5 s, one of them late
# A receiver that is frozen or stopped at its altitude limit repeats an old position; one that jumps is elsewhere.
_NO_POSITION = flag_bits.SUSPECT | declared.FLAG_FROZEN | declared.FLAG_LIMIT | declared.FLAG_JUMP
_TIME_OFF = flag_bits.TIME_LEAP | flag_bits.TIME_WEEKS | flag_bits.TIME_STEP
_QUALITY = (
    (flag_bits.OUT_OF_RANGE, "out_of_range"),
    (declared.FLAG_STALE, "stale"),
    (declared.FLAG_FROZEN, "frozen"),
    (declared.FLAG_LIMIT, "limit"),
    (declared.FLAG_JUMP, "jump"),
)


@dataclass
class Timed:
    """A table with its moments and flag bits, rows that have a moment only, rising in time."""

    table: Table
    utc_ms: np.ndarray
    bits: np.ndarray

    def from_copy(self):
        """Rows that only the second copy in flash has; None where no copies were merged."""
        column = self.table.columns.get("recovered_from")
        return None if column is None else column.is_word(FLASH)


def timed(table, bits):
    """Rows with a known moment, in order of time."""
    moments = table["utc"]
    if moments.known.all() and (moments.ms[1:] >= moments.ms[:-1]).all():
        return Timed(table, moments.ms, bits)
    order = np.flatnonzero(moments.known)
    order = order[np.argsort(moments.ms[order], kind="stable")]
    return Timed(table.take(order), moments.ms[order], bits[order])


class _Rows:
    """The seconds and what gathers about them: columns, their units, marks."""

    def __init__(self, grid_ms):
        self.grid_ms = grid_ms
        self.columns = {}
        self.about = {}
        self.marks = []  # (name, bool per second)
        self.something = np.zeros(len(grid_ms), dtype=bool)

    def series(self, name, source, value, *, unit, column, marked=True, only=None, reject=flag_bits.SUSPECT):
        """Resample one column of a timed table into `column`; readings with a flag in `reject` are left out."""
        usable = (source.bits & reject) == 0
        if only is not None:
            usable &= only
        values = np.where(usable, value, np.nan)
        result, how = per_second(self.grid_ms, source.utc_ms, values)
        if column:
            self.columns[column] = result
            self.about[column] = {"unit": unit}
        if marked:
            own = np.ones(len(source.bits), dtype=bool) if only is None else only
            self.something |= seconds_touched(self.grid_ms, source.utc_ms, own)
            self.mark(f"{name}_interpolated", how == INTERPOLATED)
            suspect = own & ((source.bits & flag_bits.SUSPECT) != 0)
            self.mark(f"{name}_suspect", seconds_touched(self.grid_ms, source.utc_ms, suspect))
            for bit, word in _QUALITY:
                self.mark(
                    f"{name}_{word}", seconds_touched(self.grid_ms, source.utc_ms, own & ((source.bits & bit) != 0))
                )
        return result, how

    def mark(self, name, where):
        if where.any():
            self.marks.append((name, where))

    def flag_words(self):
        """All marks of each second as one Words column."""
        if not self.marks:
            return Words(np.zeros(len(self.grid_ms), dtype=np.int32), [""])
        packed = np.packbits(np.stack([where for _name, where in self.marks], axis=1), axis=1)
        begins = np.flatnonzero(np.append(True, (packed[1:] != packed[:-1]).any(axis=1)))  # of runs that are alike
        distinct, codes = np.unique(packed[begins], axis=0, return_inverse=True)
        codes = np.repeat(codes.ravel(), np.diff(begins, append=len(packed)))
        sets = np.unpackbits(distinct, axis=1, count=len(self.marks))
        vocabulary = ["|".join(self.marks[n][0] for n in np.flatnonzero(row)) for row in sets]
        return Words(codes.astype(np.int32), vocabulary)


def seconds(spans, pause_ms=_SPAN_MS_MAX):
    """The whole seconds of a flight, int64 ms, from the (first, last) ms of its boots; long pauses are left out."""
    pieces = [
        np.arange(-(-first // 1000), last // 1000 + 1, dtype=np.int64) * 1000 for first, last in _runs(spans, pause_ms)
    ]
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.int64)


def _runs(spans, pause_ms):
    """Spans in order of time, those with short pauses between them made one."""
    runs = []
    for first, last in sorted(spans):
        if runs and first - runs[-1][1] <= pause_ms:
            runs[-1][1] = max(runs[-1][1], last)
        else:
            runs.append([first, last])
    return runs


def _grid(spans, sources):
    """The seconds of the flight; where the boots claim more than a week, only those around readings.

    A boot's clock counts up to 49 days, and boots may be many, each a few hours behind the one before. So a handful of
    frames of a log that means harm could claim as many rows as would fill the memory. No flight and no soak is so long.
    """
    if sum(last - first for first, last in _runs(spans, _SPAN_MS_MAX)) <= _CLAIM_MS_MAX:
        return seconds(spans)
    read_ms = np.unique(np.concatenate([source.utc_ms for source in sources if source is not None]).astype(np.int64))
    begins = read_ms // _STRETCH_MS * _STRETCH_MS
    return seconds([(begin, begin + _STRETCH_MS - 1000) for begin in np.unique(begins).tolist()], pause_ms=1000)


def build(spans, fix, pressure, temperature, power, health, humidity=None):
    """The flight table and the phases, from timed tables.

    Returns
    -------
    table : Table
    phases : Phases
        In seconds since 1970.
    profile : dict of str to numpy.ndarray
        `gnss_m`, `pressure_altitude_m` and `t_s`, for the results.
    """
    rows = _Rows(_grid(spans, [fix, pressure, temperature, power, health, humidity]))
    rows.columns["utc"] = Moments(rows.grid_ms, np.ones(len(rows.grid_ms), dtype=bool))
    rows.columns["phase"] = None  # keeps its place
    gnss_m, gnss_climb, gnss_how = _position(rows, fix)
    pressure_m = _pressure(rows, pressure)
    _altitude(rows, gnss_m, gnss_how, pressure_m)
    _climb(rows, gnss_climb, pressure_m)
    _by_name(rows, temperature, "probe", (("temperature_c", "temperature_{}_c", "degC"),))
    _by_name(
        rows,
        power,
        "channel",
        (("bus_v", "{}_bus_v", "V"), ("current_ma", "{}_current_ma", "mA"), ("power_mw", "{}_power_mw", "mW")),
    )
    if humidity is not None:
        values = humidity.table["humidity_pct"]
        rows.series("humidity", humidity, values, unit="%", column="humidity_pct")
    rows.series("battery", health, health.table["battery_v"], unit="V", column="battery_v")
    rows.mark("gap", ~rows.something)
    rows.mark("from_flash", _only_copied(rows.grid_ms, [fix, pressure, temperature, power, health, humidity]))
    t_s = rows.grid_ms / 1000.0
    geometric = altitude_from_geopotential(pressure_m)
    found = phase_finder.find(t_s, [geometric, gnss_m])
    rows.columns["phase"] = Words(found.of(t_s).astype(np.int32), phase_finder.PHASE_WORDS)
    rows.columns["flags"] = rows.flag_words()
    rows.about["flags"] = {
        "meaning": "names joined by |; what was interpolated, taken from elsewhere, suspect or missing"
    }
    return (
        Table("flight", rows.columns, rows.about),
        found,
        {"t_s": t_s, "gnss_m": gnss_m, "pressure_altitude_m": pressure_m},
    )


def _only_copied(grid_ms, sources):
    """Seconds of which only the second copy has readings, those between its sets too; bool, shape (m,)."""
    card, flash = np.zeros(len(grid_ms), dtype=bool), np.zeros(len(grid_ms), dtype=bool)
    for source in sources:
        copied = None if source is None else source.from_copy()
        if copied is not None:
            card |= seconds_touched(grid_ms, source.utc_ms, ~copied)
            flash |= seconds_touched(grid_ms, source.utc_ms, copied)
    flash &= ~card
    for first, last in pairwise(np.flatnonzero(flash | card).tolist()):
        if flash[first] and flash[last] and grid_ms[last] - grid_ms[first] <= _SETS_APART_MS:
            flash[first:last] = True  # between two sets of the copy
    return flash


def _position(rows, fix):
    table = fix.table
    how_to = {"only": ~table["fix_type"].is_word("none"), "reject": _NO_POSITION}
    rows.series("position", fix, table["latitude_deg"], unit="deg", column="latitude_deg", **how_to)
    at_limit = table["fix_type"].is_word("none") & ((fix.bits & declared.FLAG_LIMIT) != 0)
    rows.mark("position_limit", seconds_touched(rows.grid_ms, fix.utc_ms, at_limit))
    rows.mark("gnss_time_off", seconds_touched(rows.grid_ms, fix.utc_ms, (fix.bits & _TIME_OFF) != 0))
    longitude = table["longitude_deg"]
    unwrapped = longitude.copy()
    good = ~np.isnan(longitude)
    unwrapped[good] = np.unwrap(
        longitude[good], period=360.0
    )  # a flight across 180 degrees must not go round the Earth
    result, _how = rows.series("position", fix, unwrapped, unit="deg", column="longitude_deg", marked=False, **how_to)
    rows.columns["longitude_deg"] = (result + 180.0) % 360.0 - 180.0
    height, how = rows.series("altitude", fix, table["altitude_m"], unit="m", column=None, marked=False, **how_to)
    climb, _how = rows.series("climb", fix, table["climb_mps"], unit="m/s", column=None, marked=False, **how_to)
    return height, climb, how


def _pressure(rows, pressure):
    """Pressure of the barometer with most readings in the main columns, of the others in columns of their own."""
    sensor = pressure.table["sensor"]
    counts = np.bincount(sensor.codes[sensor.codes >= 0], minlength=len(sensor.vocabulary))
    altitude = np.full(len(rows.grid_ms), np.nan)
    rows.columns["altitude_m"] = rows.columns["altitude_source"] = None  # keep their places
    ranked = sorted(range(len(counts)), key=lambda code: -counts[code])
    for rank, code in enumerate(ranked):
        own = sensor.codes == code
        part = column_part(sensor.vocabulary[code])
        column, name = ("pressure_hpa", "pressure") if rank == 0 else (f"pressure_{part}_hpa", f"pressure_{part}")
        hpa, _how = rows.series(name, pressure, pressure.table["pressure_hpa"], unit="hPa", column=column, only=own)
        if rank == 0:
            usable = (hpa >= _PRESSURE_HPA[0]) & (hpa <= _PRESSURE_HPA[1])
            altitude[usable] = pressure_altitude_m(hpa[usable] * 100.0)
    rows.columns.setdefault("pressure_hpa", np.full(len(rows.grid_ms), np.nan))
    rows.columns["pressure_altitude_m"] = altitude
    rows.about["pressure_altitude_m"] = {
        "unit": "m",
        "meaning": "geopotential height at which the U.S. Standard Atmosphere, 1976 has this pressure",
    }
    return altitude


def _altitude(rows, gnss_m, how, pressure_m):
    """Height above the sea: the receiver's; where it has none, from pressure, shifted by what the two differ nearby."""
    geometric = altitude_from_geopotential(pressure_m)
    altitude = gnss_m.copy()
    lacking = np.isnan(gnss_m) & ~np.isnan(geometric)
    altitude[lacking] = geometric[lacking] + _difference(geometric, gnss_m, lacking)
    source = np.full(len(altitude), 2, dtype=np.int32)
    source[lacking] = 1
    source[~np.isnan(gnss_m)] = 0
    rows.columns["altitude_m"] = altitude
    rows.columns["altitude_source"] = Words(source, ["gnss", "pressure", "none"])
    rows.about["altitude_m"] = {"unit": "m", "meaning": "above mean sea level; altitude_source says from where"}
    rows.mark("altitude_from_pressure", lacking)
    rows.mark("altitude_interpolated", how == INTERPOLATED)


def _difference(geometric, gnss_m, lacking):
    """Receiver's height minus the barometer's where both are known, at the heights where only the barometer is."""
    both = ~np.isnan(gnss_m) & ~np.isnan(geometric)
    if not both.any():
        return 0.0
    level = np.floor(geometric[both] / _BIN_M).astype(np.int64)
    difference = (gnss_m - geometric)[both]
    by_level = list(rows_by_value(level))
    levels = np.array([one for one, _rows in by_level])
    medians = np.array([np.median(difference[rows]) for _one, rows in by_level])
    return np.interp(geometric[lacking], (levels + 0.5) * _BIN_M, medians)


def _climb(rows, gnss_climb, pressure_m):
    """The receiver's vertical speed; where it has none, the slope of the pressure altitude over a few seconds."""
    slope = np.full(len(pressure_m), np.nan)
    if len(pressure_m) > 2 * _CLIMB_S:
        span_s = (rows.grid_ms[2 * _CLIMB_S :] - rows.grid_ms[: -2 * _CLIMB_S]) / 1000.0
        rise = pressure_m[2 * _CLIMB_S :] - pressure_m[: -2 * _CLIMB_S]
        slope[_CLIMB_S:-_CLIMB_S] = np.where(span_s == 2 * _CLIMB_S, rise / span_s, np.nan)
    derived = np.isnan(gnss_climb) & ~np.isnan(slope)
    rows.columns["climb_mps"] = np.where(derived, slope, gnss_climb)
    rows.about["climb_mps"] = {"unit": "m/s", "meaning": "upward positive"}
    rows.mark("climb_from_pressure", derived)


def _by_name(rows, source, name_column, wanted):
    names = source.table[name_column]
    taken = set()
    for code, name in enumerate(names.vocabulary):
        part = column_part(name)
        while part in taken:  # names that differ in signs only
            part += "_2"
        taken.add(part)
        own = names.codes == code
        for n, (value, pattern, unit) in enumerate(wanted):
            rows.series(
                part, source, source.table[value], unit=unit, column=pattern.format(part), only=own, marked=n == 0
            )

"""The table of positions: fixes in degrees and fixes in Earth-centred metres, merged in the order of the log."""

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.moments import DAY_MS, leap_seconds, moment_from_fields, moment_from_gps
from ground.decode.readings import flags as flag_bits
from ground.decode.readings.geodesy import geodetic_from_ecef
from ground.decode.table import Maybe, Moments, Table, Words, float_or_nan
from shared_protocol import records as declared
from shared_protocol.records import UNKNOWN_I32, UNKNOWN_U16, UNKNOWN_U32

TYPE_WORDS = ["none", "2d", "3d"]
_TYPE_CODES = {declared.FIX_NONE: 0, declared.FIX_2D: 1, declared.FIX_3D: 2}
_SOURCE_WORDS = ["nmea", "ubx", "ecef"]
_ECEF = 2
_UNKNOWN_LEAP = -128
_UNKNOWN_BYTE = 0xFF


def fixes(records):
    """All fixes, in rows `fix` first and `ecef` behind; see `merge_order` for how they interleave.

    Returns
    -------
    table : Table
        Without boot, t_ms and utc, which every table gets in the same place.
    bits : numpy.ndarray of int64
        Flags as bits.
    keys, t_ms, seq : numpy.ndarray
        Key number, milliseconds since boot and sequence number of each row.
    """
    kind = KIND_OF_NAME["fix"]
    plain, plain_bits = _plain(records.rows[kind], records.row_keys[kind])
    ecef, ecef_bits = _ecef(records.rows[KIND_OF_NAME["ecef"]])
    columns = {name: _stack(plain[name], ecef[name]) for name in plain}
    bits = np.concatenate([plain_bits, ecef_bits])
    columns["flags"] = flag_bits.words_of(bits)
    both = [KIND_OF_NAME["fix"], KIND_OF_NAME["ecef"]]
    keys = np.concatenate([records.row_keys[kind] for kind in both])
    t_ms = np.concatenate([records.rows[kind]["_t_ms"] for kind in both]).astype(np.int64)
    seq = np.concatenate([records.rows[kind]["_seq"] for kind in both])
    return Table("fix", columns, ABOUT), bits, keys, t_ms, seq


def _stack(first, second):
    if isinstance(first, Words):
        return Words(np.concatenate([first.codes, second.codes]), first.vocabulary)
    if isinstance(first, Moments):
        return Moments(np.concatenate([first.ms, second.ms]), np.concatenate([first.known, second.known]))
    if isinstance(first, Maybe):
        return Maybe(np.concatenate([first.values, second.values]), np.concatenate([first.known, second.known]))
    return np.concatenate([first, second])


def _signed(rows, field, divisor):
    return float_or_nan(rows[field].astype(np.int64), divisor, UNKNOWN_I32)


def _fix_type(rows):
    codes = np.full(256, 0, dtype=np.int32)
    for number, code in _TYPE_CODES.items():
        codes[number] = code
    return Words(codes[rows["fix_type"]], TYPE_WORDS)


def _satellites(rows):
    return Maybe(rows["satellites"].astype(np.int64), rows["satellites"] != _UNKNOWN_BYTE)


def _plain(rows, keys):
    """Fixes that came in degrees (NMEA, NAV-PVT)."""
    utc = rows["utc"].astype(np.int64)
    moment, dated = moment_from_fields(rows["year"], rows["month"], rows["day"], utc)
    dated &= utc != UNKNOWN_I32
    bits = rows["flags"].astype(np.int64)
    unsaid = (rows["year"] == 0) & (utc != UNKNOWN_I32)
    assumed = _assume_dates(moment, dated, unsaid, utc, rows["_t_ms"].astype(np.int64), keys)
    bits[assumed] |= declared.FLAG_ASSUMED_DATE
    kind = _fix_type(rows)
    no_height = kind.codes != TYPE_WORDS.index("3d")  # the height of a 2d fix is one that the receiver assumed
    columns = {
        "latitude_deg": _signed(rows, "latitude", 10_000_000),
        "longitude_deg": _signed(rows, "longitude", 10_000_000),
        "altitude_m": np.where(no_height, np.nan, _signed(rows, "altitude", 1000)),
        "ellipsoid_height_m": np.where(no_height, np.nan, _signed(rows, "ellipsoid_height", 1000)),
        "speed_mps": _signed(rows, "speed", 1000),
        "course_deg": _signed(rows, "course", 100_000),
        "climb_mps": _signed(rows, "climb", 1000),
        "satellites": _satellites(rows),
        "hdop": float_or_nan(rows["hdop"].astype(np.int64), 100, UNKNOWN_U16),
        "fix_type": kind,
        "gnss_utc": Moments(moment, dated | assumed),
        "gnss_time_of_day_s": float_or_nan(utc, 1000, UNKNOWN_I32),
        "accuracy_m": float_or_nan(rows["accuracy"].astype(np.int64), 1000, UNKNOWN_U32),
        "source": Words(np.where(rows["source"] == declared.SOURCE_NMEA, 0, 1).astype(np.int32), _SOURCE_WORDS),
    }
    return columns, bits


def _assume_dates(moment_ms, dated, unsaid, utc_ms, t_ms, keys):
    """Put a date to times of day that came without one (`unsaid`), in `moment_ms`; which rows got one, shape (n,).

    A receiver's position sentence says the time and no date. The board adds the last date that it heard; rows before
    the first date of a boot get theirs here, from the dated row nearest by the board's clock, over midnight too. A
    boot that never heard a date keeps none.
    """
    assumed = np.zeros(len(moment_ms), dtype=bool)
    if not unsaid.any():
        return assumed
    for _key, own in rows_by_value(keys):
        known, without = own[dated[own]], own[unsaid[own]]
        if len(known) == 0 or len(without) == 0:
            continue
        known = known[np.argsort(t_ms[known], kind="stable")]
        right = np.clip(np.searchsorted(t_ms[known], t_ms[without]), 1, len(known) - 1) if len(known) > 1 else 0
        before, behind = known[np.maximum(right - 1, 0)], known[right]
        nearer = np.where(np.abs(t_ms[without] - t_ms[before]) <= np.abs(t_ms[behind] - t_ms[without]), before, behind)
        about_ms = moment_ms[nearer] + t_ms[without] - t_ms[nearer]
        days = np.round((about_ms - utc_ms[without]) / DAY_MS).astype(np.int64)
        moment_ms[without] = days * DAY_MS + utc_ms[without]
        assumed[without] = True
    return assumed


def _ecef(rows):
    """Fixes that came as Earth-centred coordinates (NAV-SOL): no height above the sea without a geoid."""
    kind = _fix_type(rows)
    nothing = np.full(len(rows), np.nan)
    metres = [rows[axis].astype(np.int64) / 100.0 for axis in "xyz"]
    latitude, longitude, height = geodetic_from_ecef(*metres)
    no_fix = kind.codes == TYPE_WORDS.index("none")
    no_height = kind.codes != TYPE_WORDS.index("3d")
    week, tow = rows["week"].astype(np.int64), rows["tow"].astype(np.int64)
    told = rows["leap"] != _UNKNOWN_LEAP
    leap = np.where(told, rows["leap"], leap_seconds(moment_from_gps(week, tow, np.zeros_like(tow))))
    bits = rows["flags"].astype(np.int64)
    bits[~told & (week >= 0)] |= flag_bits.LEAP_ASSUMED
    moment = moment_from_gps(week, tow, leap)
    columns = {
        "latitude_deg": np.where(no_fix, np.nan, latitude),
        "longitude_deg": np.where(no_fix, np.nan, longitude),
        "altitude_m": nothing,
        "ellipsoid_height_m": np.where(no_height, np.nan, height),
        "speed_mps": nothing,
        "course_deg": nothing,
        "climb_mps": nothing,
        "satellites": _satellites(rows),
        "hdop": nothing,
        "fix_type": kind,
        "gnss_utc": Moments(moment, week >= 0),
        "gnss_time_of_day_s": np.where(week >= 0, moment % DAY_MS / 1000.0, np.nan),
        "accuracy_m": float_or_nan(rows["accuracy"].astype(np.int64), 100, UNKNOWN_U32),
        "source": Words(np.full(len(rows), _ECEF, dtype=np.int32), _SOURCE_WORDS),
    }
    return columns, bits


ABOUT = {
    "latitude_deg": {"unit": "deg", "meaning": "north positive, WGS 84"},
    "longitude_deg": {"unit": "deg", "meaning": "east positive, WGS 84"},
    "altitude_m": {"unit": "m", "meaning": "above mean sea level, as the receiver said it; null unless the fix is 3d"},
    "ellipsoid_height_m": {"unit": "m", "meaning": "above the WGS 84 ellipsoid; null unless the fix is 3d"},
    "speed_mps": {"unit": "m/s", "meaning": "over ground"},
    "course_deg": {"unit": "deg", "meaning": "over ground, from true north"},
    "climb_mps": {"unit": "m/s", "meaning": "upward positive"},
    "satellites": {"meaning": "used in the fix"},
    "hdop": {"meaning": "dilution of precision: horizontal from NMEA, of position from UBX"},
    "fix_type": {"meaning": "none, 2d or 3d"},
    "gnss_utc": {
        "unit": "UTC",
        "meaning": "moment of the fix as the receiver said it; its date is another fix's where flags say assumed_date",
    },
    "gnss_time_of_day_s": {"unit": "s", "meaning": "UTC since midnight as the receiver said it, also without a date"},
    "accuracy_m": {"unit": "m", "meaning": "the receiver's own estimate"},
    "source": {"meaning": "nmea, ubx (NAV-PVT) or ecef (NAV-SOL, converted on the ground)"},
    "flags": {"meaning": flag_bits.MEANING},
}

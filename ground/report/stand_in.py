"""Rows of the flight table for boots that never had a time of day.

The decoder's flight table is one row for each second UTC, so a boot without GPS time is not in it, and a flight
without GPS leaves it empty. The barometer's readings are there all the same: they give pressure, pressure altitude,
climb rate and, once the boots are on one axis, the phases.
"""

import numpy as np
import pandas as pd

from ground.atmosphere import altitude_from_geopotential, pressure_altitude_m
from ground.decode.course import phases as phase_finder
from ground.report.flags import is_unfit
from ground.report.series import at_times
from ground.report.timeline import Timeline

PRESSURE_HPA = (0.02, 1700.0)  # inside the standard atmosphere's model
CLIMB_S = 3


def with_clockless_boots(flight, tables):
    """The flight table with rows (`boot`, `t_ms`, no `utc`) for the boots that have no UTC, if any."""
    pressure = tables["pressure"]
    clocked = set(pressure["boot"][pressure["utc"].notna()])
    extra = [
        _rows(boot, pressure[(pressure["boot"] == boot).to_numpy()])
        for boot in sorted(set(pressure["boot"].dropna()) - clocked)
    ]
    extra = [rows for rows in extra if len(rows)]
    if not extra:
        return flight
    extended = pd.concat([flight, *(rows.reindex(columns=flight.columns) for rows in extra)], ignore_index=True)
    times = Timeline([extended, *tables.values()]).times(extended)
    extended = extended.iloc[np.argsort(times, kind="stable")].reset_index(drop=True)
    extended["phase"] = _phases(np.sort(times), extended, tables, Timeline([extended, *tables.values()]))
    return extended


def _rows(boot, readings):
    """One row a second of one boot, from its barometer with most readings."""
    sensor = readings["sensor"].mode()
    readings = readings[(readings["sensor"] == sensor.iloc[0]).to_numpy()] if len(sensor) else readings
    hpa = readings["pressure_hpa"].to_numpy()
    good = ~is_unfit(readings["flags"]) & np.isfinite(hpa) & np.isfinite(readings["t_ms"].to_numpy())
    second = np.floor(readings["t_ms"].to_numpy()[good] / 1000)
    middle = pd.Series(hpa[good]).groupby(second).median()
    values = middle.to_numpy()
    altitude = np.full(len(values), np.nan)
    usable = (values >= PRESSURE_HPA[0]) & (values <= PRESSURE_HPA[1])
    altitude[usable] = pressure_altitude_m(values[usable] * 100.0)
    t_ms = middle.index.to_numpy() * 1000.0 + 500.0
    span_ms = CLIMB_S * 1000.0
    climb = (at_times(t_ms + span_ms, t_ms, altitude) - at_times(t_ms - span_ms, t_ms, altitude)) / (2 * CLIMB_S)
    return pd.DataFrame(
        {
            "boot": boot,
            "t_ms": t_ms,
            "utc": None,
            "phase": None,
            "pressure_hpa": values,
            "pressure_altitude_m": altitude,
            "altitude_source": "none",
            "climb_mps": climb,
            "flags": "",
        }
    )


def _phases(times_ms, flight, tables, timeline):
    fix = tables["fix"]
    geometric = altitude_from_geopotential(flight["pressure_altitude_m"].to_numpy())
    gps = at_times(times_ms, timeline.times(fix), fix["altitude_m"].to_numpy())
    found = phase_finder.find(times_ms / 1000.0, [geometric, gps])
    return np.array(phase_finder.PHASE_WORDS, dtype=object)[found.of(times_ms / 1000.0)]

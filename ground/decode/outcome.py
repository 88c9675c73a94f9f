"""results.json as far as the decoder knows it: apogee by both altitudes, launch, burst, landing and where."""

import numpy as np

from ground.decode import phases as phase_finder
from ground.decode.moments import iso

_REST_S = 300.0  # readings of a box at rest that are averaged


def results_of(phases, profile, flight_table):
    """The results; None for what the record does not show."""
    t_s = profile["t_s"]
    results = {"apogee_m": None, "apogee_pressure_altitude_m": None}
    for name, values in (
        ("apogee_m", profile["gnss_m"]),
        ("apogee_pressure_altitude_m", profile["pressure_altitude_m"]),
    ):
        top = phase_finder.apogee_m(t_s, values, phases.burst) if phases.flew else None
        results[name] = None if top is None else round(top, 1)
    for name in ("launch", "burst", "landing"):
        moment = getattr(phases, name)
        results[f"{name}_utc"] = iso(moment.at_s * 1000.0) if moment else None
        # the readings nearest to the moment, before and after it, bound how well it can be known
        results[f"{name}_readings_apart_s"] = round(moment.readings_apart_s, 1) if moment else None
    results.update(_landing_place(phases, t_s, flight_table))
    return results


def _landing_place(phases, t_s, flight_table):
    """Median position at rest; without a landing in the record, the last position known, and it is said so."""
    latitude, longitude, altitude = (flight_table[name] for name in ("latitude_deg", "longitude_deg", "altitude_m"))
    known = ~np.isnan(latitude)
    place = {
        "landing_latitude_deg": None,
        "landing_longitude_deg": None,
        "landing_altitude_m": None,
        "landing_position_basis": None,
    }
    if not phases.flew or not known.any():
        return place
    rest = np.zeros_like(known)
    if phases.landing:
        rest = known & (t_s >= phases.landing.at_s) & (t_s <= phases.landing.at_s + _REST_S)
    if rest.any():
        basis = "median at rest after the landing"
    else:
        rest = np.zeros_like(known)
        rest[np.flatnonzero(known)[-1]] = True
        basis = "last known position, before the landing"
    place["landing_latitude_deg"] = round(float(np.median(latitude[rest])), 7)
    place["landing_longitude_deg"] = round(float(np.median(longitude[rest])), 7)
    heights = altitude[rest & ~np.isnan(altitude)]
    place["landing_altitude_m"] = round(float(np.median(heights)), 1) if len(heights) else None
    place["landing_position_basis"] = basis
    return place

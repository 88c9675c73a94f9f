"""results.json as far as the decoder knows it: apogee by both altitudes, launch, burst, landing and where."""

import numpy as np

from ground.decode.course import phases as phase_finder
from ground.decode.moments import iso

_TOP_S = 10.0  # on both sides of the burst
_REST_S = 300.0  # readings of a box at rest that are averaged


def results_of(phases, profile, flight_table, readings_ms=()):
    """The results; None for what the record does not show.

    `readings_ms`: the times of each kind of reading that shows the height, rising. [ms UTC]
    """
    t_s = profile["t_s"]
    results = _apogees(phases, profile, flight_table)
    for name in ("launch", "burst", "landing"):
        moment = getattr(phases, name)
        results[f"{name}_utc"] = iso(moment.at_s * 1000.0) if moment else None
        # the readings nearest to the moment, before and after it, bound how well it can be known
        results[f"{name}_readings_apart_s"] = (
            round(max(moment.readings_apart_s, _apart_s(moment.at_s, readings_ms)), 1) if moment else None
        )
    results.update(_landing_place(phases, t_s, flight_table))
    return results


def _apart_s(at_s, readings_ms):
    """Time between the readings just before and just after a moment, of the kind that is densest there; 0 without.

    Seconds between readings of the thinned second copy are interpolated, so the seconds themselves don't show it.
    """
    apart = []
    for times in readings_ms:
        right = int(np.searchsorted(times, at_s * 1000.0))
        if 0 < right < len(times):
            apart.append(float(times[right] - times[right - 1]) / 1000.0)
    return min(apart, default=0.0)


def _apogees(phases, profile, flight_table):
    """Apogee by the receiver, by pressure, and by the final altitude series.

    A receiver that was silent, frozen or jumping at the top has no apogee: `apogee_m` is null then, `apogee_note` says
    so, and `apogee_gnss_highest_m` is merely the highest it said.
    """
    t_s, gnss_m, pressure_m = profile["t_s"], profile["gnss_m"], profile["pressure_altitude_m"]
    best_m, source = flight_table["altitude_m"], flight_table["altitude_source"]
    results = {"apogee_m": None, "apogee_note": None, "apogee_gnss_highest_m": None}
    results |= {"apogee_best_m": None, "apogee_best_source": None, "apogee_pressure_altitude_m": None}
    if not phases.flew or np.isnan(best_m).all():
        return results
    top_s = phases.burst.at_s if phases.burst else t_s[np.nanargmax(best_m)]
    near = np.abs(t_s - top_s) <= _TOP_S
    heights = {"apogee_m": gnss_m, "apogee_best_m": best_m, "apogee_pressure_altitude_m": pressure_m}
    for name, values in heights.items():
        top = phase_finder.apogee_m(t_s, values, phases.burst)
        results[name] = None if top is None else round(top, 1)
    share = float((source.is_word("gnss") & near).sum()) / max(near.sum(), 1)
    results["apogee_best_source"] = "gnss" if share >= 0.5 else "pressure"
    results["apogee_gnss_highest_m"] = results["apogee_m"]
    if share < 0.5 and results["apogee_m"] is not None:
        results["apogee_m"] = None
        results["apogee_note"] = (
            "the receiver gave no height that can be believed at the top; the highest it gave elsewhere is "
            f"{results['apogee_gnss_highest_m']:.0f} m"
        )
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

"""What happened, in a few facts: when it left, how high, when it burst, where it came down.

Where `results.json` has a fact, that one is told, so that page, terminal and file agree. What it lacks is taken from
the tables, and a fact that those do not give stays None.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from ground.report import flags
from ground.report.local_plane import distance_and_bearing
from ground.report.series import at_times
from ground.report.timeline import utc_ms

PHASES = ("ground", "ascending", "descending", "landed")
PLACE_FIXES = 60  # a place is the median of so many fixes: one fix alone wanders by metres
STUCK = frozenset({"frozen", "limit", "jump"})  # a receiver that repeats an old position, or says one far off


@dataclass
class Place:
    """A position, and in words how it was had."""

    latitude_deg: float
    longitude_deg: float
    basis: str


@dataclass
class Story:
    """The facts of one flight; times on the common axis [ms], heights above mean sea level [m].

    Attributes
    ----------
    flew : bool
        Whether the record shows a flight at all, launch in it or not.
    height_source : str or None
        "GPS" or "pressure": which altitude the charts against height use.
    rested : bool
        Whether `landing` was taken at rest after the landing (else it is the last known place).
    """

    phases: list = field(default_factory=list)  # (phase, start_ms, end_ms), in order
    flew: bool = False
    launch_ms: float | None = None
    burst_ms: float | None = None
    landing_ms: float | None = None
    gps_top_m: float | None = None
    gps_top_ms: float | None = None
    gps_missed_top: bool = False  # the receiver gave no height at the top; gps_top_m is the highest it gave elsewhere
    pressure_top_m: float | None = None
    pressure_top_ms: float | None = None
    start: Place | None = None
    landing: Place | None = None
    rested: bool = False
    last_height_m: float | None = None
    distance_km: float | None = None
    bearing_deg: float | None = None
    height_source: str | None = None


def tell(folder, timeline):
    """The `Story` of a flight folder."""
    story = Story()
    times = timeline.times(folder.flight)
    _phases(story, folder.flight, times)
    gps = gps_heights(folder, timeline)
    pressure = (times, folder.flight["pressure_altitude_m"].to_numpy())
    story.gps_top_m, story.gps_top_ms = _top(*gps)
    story.pressure_top_m, story.pressure_top_ms = _top(*pressure)
    _choose_height(story, times, gps, pressure)
    _results(story, folder.results, timeline)
    _places(story, folder, timeline)
    return story


def gps_heights(folder, timeline):
    """Times [ms] and GPS altitudes [m] of the fixes; NaN where the receiver gave none or was stuck.

    Without a table of fixes they come from the flight table.
    """
    fix = folder.tables["fix"]
    heights = fix["altitude_m"].to_numpy()
    if np.isfinite(heights).any():
        return timeline.times(fix), np.where(flags.has_any(fix["flags"], flags.UNFIT | STUCK), np.nan, heights)
    own = (folder.flight["altitude_source"] == "gnss").to_numpy(dtype=bool)
    return timeline.times(folder.flight), np.where(own, folder.flight["altitude_m"].to_numpy(), np.nan)


def height_at(story, folder, timeline, times_ms):
    """Height of the charts against height at given times, shape (n,). [m]"""
    if story.height_source == "GPS":
        return at_times(times_ms, *gps_heights(folder, timeline))
    return at_times(times_ms, timeline.times(folder.flight), folder.flight["pressure_altitude_m"].to_numpy())


def leg_at(story, times_ms):
    """ "ascent" or "descent" at given times, None outside both; object array, shape (n,)."""
    legs = np.full(len(times_ms), None, dtype=object)
    for phase, start, end in story.phases:
        leg = {"ascending": "ascent", "descending": "descent"}.get(phase)
        if leg:
            legs[(times_ms >= start) & (times_ms <= end)] = leg
    return legs


def _phases(story, flight, times):
    """Runs of equal phases, and the changes between them."""
    order = np.argsort(times, kind="stable")
    runs: list[list] = []
    for phase, moment in zip(flight["phase"].to_numpy()[order], times[order], strict=True):
        if phase not in PHASES or not np.isfinite(moment):
            continue
        if runs and runs[-1][0] == phase:
            runs[-1][2] = moment
        else:
            runs.append([phase, moment, moment])
    story.phases = [(phase, float(start), float(end)) for phase, start, end in runs]
    story.flew = any(phase != "ground" for phase, _, _ in story.phases)
    for (before, _, _), (phase, start, _) in zip(story.phases, story.phases[1:], strict=False):
        if (before, phase) == ("ground", "ascending") and story.launch_ms is None:
            story.launch_ms = start
        if (before, phase) == ("ascending", "descending") and story.burst_ms is None:
            story.burst_ms = start
        if phase == "landed" and story.landing_ms is None:
            story.landing_ms = start


def _top(times, heights):
    if not np.isfinite(heights).any():
        return None, None
    top = int(np.nanargmax(heights))
    return float(heights[top]), float(times[top])


def _choose_height(story, times, gps, pressure):
    """GPS altitude for the charts against height, unless pressure altitude covers clearly more of the flight.

    Only ascent and descent count: a box that lies for hours says its position more rarely.
    """
    if not len(times):
        return
    aloft = np.not_equal(leg_at(story, times), None).astype(bool)
    counted = aloft if aloft.any() else np.full(len(times), True)
    shares = {
        "GPS": float(np.mean(np.isfinite(at_times(times, *gps))[counted])),
        "pressure": float(np.mean(np.isfinite(pressure[1])[counted])),
    }
    if max(shares.values()) > 0:
        story.height_source = "GPS" if shares["GPS"] >= shares["pressure"] - 0.05 else "pressure"


def _results(story, results, timeline):
    """Facts of `results.json` in place of our own."""
    if not timeline.has_utc:
        return
    for name in ("launch", "burst", "landing"):
        text = results.get(f"{name}_utc")
        moment = utc_ms(pd.Series([text if isinstance(text, str) else None], dtype=object))[0]
        if np.isfinite(moment):
            setattr(story, f"{name}_ms", float(moment))
    story.gps_missed_top = bool(results.get("apogee_note"))
    for key, name in (("apogee_m", "gps_top"), ("apogee_pressure_altitude_m", "pressure_top")):
        top = _number(results.get(key))
        if top is not None:
            setattr(story, f"{name}_m", top)
            if story.burst_ms is not None:
                setattr(story, f"{name}_ms", story.burst_ms)
    latitude, longitude = _number(results.get("landing_latitude_deg")), _number(results.get("landing_longitude_deg"))
    if latitude is not None and longitude is not None:
        basis = str(results.get("landing_position_basis") or "from results.json")
        story.landing = Place(latitude, longitude, basis)
        story.rested = basis.startswith("median at rest")


def _places(story, folder, timeline):
    fix, times = folder.tables["fix"], timeline.times(folder.tables["fix"])
    where = fix[["latitude_deg", "longitude_deg"]].to_numpy()
    known = np.isfinite(where).all(axis=1) & np.isfinite(times)
    known &= ~flags.has_any(fix["flags"], flags.UNFIT | STUCK)
    if not known.any():
        return
    order = np.flatnonzero(known)[np.argsort(times[known], kind="stable")]
    before = order[times[order] < story.launch_ms] if story.launch_ms is not None else order[:PLACE_FIXES]
    story.start = _median(where[before[-PLACE_FIXES:]] if len(before) else where[order[:1]], "before the launch")
    if not story.flew:
        return
    story.last_height_m = float(fix["altitude_m"].to_numpy()[order[-1]])
    if story.landing is None:
        after = order[times[order] >= story.landing_ms] if story.landing_ms is not None else []
        story.rested = len(after) > 0
        story.landing = (
            _median(where[after[:PLACE_FIXES]], "median at rest after the landing")
            if story.rested
            else _median(where[order[-1:]], "last known position, before the landing")
        )
    story.distance_km, story.bearing_deg = distance_and_bearing(
        story.landing.latitude_deg, story.landing.longitude_deg, story.start.latitude_deg, story.start.longitude_deg
    )


def _median(positions, basis):
    """Median place of a few fixes. Longitudes are taken relative to the first, so the date line does no harm."""
    first = positions[0, 1]
    longitude = first + np.median((positions[:, 1] - first + 180) % 360 - 180)
    return Place(float(np.median(positions[:, 0])), float((longitude + 180) % 360 - 180), basis)


def _number(value):
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and np.isfinite(value)
    return float(value) if good else None

"""What happened, in a few facts: when it left, how high, when it burst, where it came down.

Facts come from the tables, each with the words for where it comes from. A fact that the tables do not give stays
None; the page then says "not known" and why.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.report.local_plane import distance_and_bearing
from ground.report.series import at_times

PHASES = ("ground", "ascending", "descending", "landed")
LANDING_FIXES = 60  # the landing place is the median of so many fixes: one fix alone wanders by metres


@dataclass
class Place:
    """A position, how it was had, and from how many fixes."""

    latitude_deg: float
    longitude_deg: float
    fixes: int


@dataclass
class Story:
    """The facts of one flight; times on the common axis [ms], heights above mean sea level [m].

    Attributes
    ----------
    height_source : str or None
        "GPS" or "pressure": which altitude the charts against height use.
    rested : bool
        Whether the record goes on after the landing (else `landing` is the last known place).
    """

    phases: list = field(default_factory=list)  # (phase, start_ms, end_ms), in order
    launch_ms: float | None = None
    burst_ms: float | None = None
    landing_ms: float | None = None
    gps_top_m: float | None = None
    gps_top_ms: float | None = None
    pressure_top_m: float | None = None
    pressure_top_ms: float | None = None
    start: Place | None = None
    landing: Place | None = None
    rested: bool = False
    last_height_m: float | None = None
    distance_km: float | None = None
    bearing_deg: float | None = None
    height_source: str | None = None
    height_share: float = 0.0

    @property
    def flew(self):
        return self.launch_ms is not None


def tell(folder, timeline):
    """The `Story` of a flight folder."""
    story = Story()
    times = timeline.times(folder.flight)
    story.phases = _runs(folder.flight["phase"].to_numpy(), times)
    for phase, start, _ in story.phases:
        if phase == "ascending" and story.launch_ms is None:
            story.launch_ms = start
        if phase == "landed" and story.launch_ms is not None and story.landing_ms is None:
            story.landing_ms = start
    gps = gps_heights(folder, timeline)
    pressure = (times, folder.flight["pressure_altitude_m"].to_numpy())
    story.gps_top_m, story.gps_top_ms = _top(*gps)
    story.pressure_top_m, story.pressure_top_ms = _top(*pressure)
    _choose_height(story, times, gps, pressure)
    if any(phase == "descending" for phase, _, _ in story.phases) and story.flew:
        story.burst_ms = story.gps_top_ms if story.height_source == "GPS" else story.pressure_top_ms
    _places(story, folder, timeline)
    return story


def gps_heights(folder, timeline):
    """Times [ms] and GPS altitudes [m]: from the fixes, or from the flight table where there are none."""
    fix = folder.tables["fix"]
    if np.isfinite(fix["altitude_m"]).any():
        return timeline.times(fix), fix["altitude_m"].to_numpy()
    source = folder.flight["altitude_source"].map(lambda text: isinstance(text, str) and text.lower().startswith("g"))
    heights = np.where(source.to_numpy(dtype=bool), folder.flight["altitude_m"].to_numpy(), np.nan)
    return timeline.times(folder.flight), heights


def height_at(story, folder, timeline, times_ms):
    """Height of the charts against height at given times, shape (n,). [m]"""
    if story.height_source == "GPS":
        return at_times(times_ms, *gps_heights(folder, timeline))
    return at_times(times_ms, timeline.times(folder.flight), folder.flight["pressure_altitude_m"].to_numpy())


def leg_at(story, times_ms):
    """"ascent" or "descent" at given times, None outside both; object array, shape (n,)."""
    legs = np.full(len(times_ms), None, dtype=object)
    for phase, start, end in story.phases:
        leg = {"ascending": "ascent", "descending": "descent"}.get(phase)
        if leg:
            legs[(times_ms >= start) & (times_ms <= end)] = leg
    if story.burst_ms is not None:  # the board notices the burst some seconds late; the top of the curve is when it was
        legs[(legs == "ascent") & (times_ms > story.burst_ms)] = "descent"
    return legs


def _runs(phases, times):
    """(phase, start, end) of each run of equal phases, unknown phases left out."""
    runs = []
    order = np.argsort(times, kind="stable")
    for phase, moment in zip(phases[order], times[order], strict=True):
        if phase not in PHASES or not np.isfinite(moment):
            continue
        if runs and runs[-1][0] == phase:
            runs[-1][2] = moment
        else:
            runs.append([phase, moment, moment])
    return [(phase, float(start), float(end)) for phase, start, end in runs]


def _top(times, heights):
    if not np.isfinite(heights).any():
        return None, None
    top = int(np.nanargmax(heights))
    return float(heights[top]), float(times[top])


def _choose_height(story, times, gps, pressure):
    """GPS altitude for the charts against height, unless pressure altitude covers clearly more of the record."""
    if not len(times):
        return
    shares = {"GPS": float(np.mean(np.isfinite(at_times(times, *gps)))),
              "pressure": float(np.mean(np.isfinite(pressure[1])))}
    if max(shares.values()) > 0:
        story.height_source = "GPS" if shares["GPS"] >= shares["pressure"] - 0.05 else "pressure"
        story.height_share = shares[story.height_source]


def _places(story, folder, timeline):
    fix, times = folder.tables["fix"], timeline.times(folder.tables["fix"])
    where = fix[["latitude_deg", "longitude_deg"]].to_numpy()
    known = np.isfinite(where).all(axis=1) & np.isfinite(times)
    if not known.any():
        return
    order = np.flatnonzero(known)[np.argsort(times[known], kind="stable")]
    before = order[times[order] < story.launch_ms] if story.flew else order
    story.start = _place(where[before[-LANDING_FIXES:]] if len(before) else where[order[:1]])
    if not story.flew:
        return
    after = order[times[order] >= story.landing_ms] if story.landing_ms is not None else []
    story.rested = len(after) > 0
    story.landing = _place(where[after[-LANDING_FIXES:]] if story.rested else where[order[-1:]])
    story.last_height_m = float(fix["altitude_m"].to_numpy()[order[-1]])
    story.distance_km, story.bearing_deg = distance_and_bearing(
        story.landing.latitude_deg, story.landing.longitude_deg, story.start.latitude_deg, story.start.longitude_deg)


def _place(positions):
    """Median place of a few fixes. Longitudes are taken relative to the first, so the date line does no harm."""
    first = positions[0, 1]
    longitude = first + np.median((positions[:, 1] - first + 180) % 360 - 180)
    return Place(float(np.median(positions[:, 0])), float((longitude + 180) % 360 - 180), len(positions))

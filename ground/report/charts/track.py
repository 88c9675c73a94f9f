"""The ground track: kilometres east and north of the launch, on equal scales, coloured by height."""

from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from ground.report.charts.figure import Figure, Missing, hover_share, records, with_zoom
from ground.report.charts.lines import height_tip
from ground.report.local_plane import east_north_km
from ground.report.series import gap_starts
from ground.report.story import gps_heights, height_at

POINTS_MAX = 700
FLATTEST, STEEPEST = 0.45, 1.1  # height over width of the plot
SMALLEST_SPAN_KM = 0.1  # a box that stays where it is wanders by metres: no axis finer than this


def draw(view):
    fix, story = view.folder.tables["fix"], view.story
    known = np.isfinite(fix["latitude_deg"].to_numpy()) & np.isfinite(fix["longitude_deg"].to_numpy())
    times = view.timeline.times(fix)
    known &= np.isfinite(times)
    if story.start is None or not known.any():
        return [Missing("Ground track", "The folder has no GPS position.")]
    order = np.flatnonzero(known)[np.argsort(times[known], kind="stable")]
    origin = story.start.latitude_deg, story.start.longitude_deg
    east, north = east_north_km(fix["latitude_deg"].to_numpy()[order], fix["longitude_deg"].to_numpy()[order], *origin)
    height = _heights(view, times[order])
    track = pd.DataFrame({"e": east, "n": north, "h": height / view.height_unit[1], "t": times[order]})
    every = max(1, int(np.ceil(len(track) / POINTS_MAX)))
    run = np.cumsum(gap_starts(track["t"].to_numpy()))
    kept = (
        (np.arange(len(track)) % every == 0) | (np.diff(run, prepend=-1) != 0) | (np.diff(run, append=run[-1] + 1) != 0)
    )
    track, run = track[kept].reset_index(drop=True), run[kept]
    track["run"], track["hover"] = run.astype(str), hover_share(track)
    track["when"] = view.clocks(track["t"])
    marks = _marks(view, order, times, east, north)
    (east_span, north_span), aspect = _equal_window(track["e"], track["n"])
    x = alt.X("e:Q", title="east of the launch [km]", scale=alt.Scale(domain=east_span, nice=False, zero=False))
    y = alt.Y("n:Q", title="north of the launch [km]", scale=alt.Scale(domain=north_span, nice=False, zero=False))
    base = alt.Chart(alt.NamedData("track"))
    tips = [
        alt.Tooltip("when:N", title="when"),
        height_tip(view),
        alt.Tooltip("e:Q", title="east [km]", format=".2f"),
        alt.Tooltip("n:Q", title="north [km]", format=".2f"),
    ]
    spots = base.mark_circle(size=16, opacity=1).encode(
        x=x,
        y=y,
        color=alt.Color(
            "h:Q",
            title=f"height [{view.height_unit[0]}]",
            scale=alt.Scale(range="ramp"),
            legend=alt.Legend(gradientLength=200, gradientThickness=12),
        ),
        tooltip=tips,
    )
    places = alt.Chart(alt.NamedData("places"))
    over: dict[str, Any] = {"align": "center", "baseline": "bottom", "dy": -11, "fontWeight": "bold", "clip": False}
    chart = with_zoom(
        [
            base.mark_line(strokeWidth=1, style="reference").encode(x=x, y=y, order="t:Q", detail="run:N"),
            spots,
            places.mark_point(size=130, strokeWidth=2.2, style="standard", filled=False, opacity=1).encode(
                x=x,
                y=y,
                shape=alt.Shape(
                    "label:N",
                    legend=None,
                    scale=alt.Scale(
                        domain=["launch", "burst", "landing", "last fix"],
                        range=["circle", "diamond", "square", "triangle-down"],
                    ),
                ),
                tooltip=[alt.Tooltip("label:N", title="what"), alt.Tooltip("when:N", title="when")],
            ),
            places.mark_text(**over, style="halo", strokeWidth=4).encode(x=x, y=y, text="label:N"),
            places.mark_text(**over).encode(x=x, y=y, text="label:N"),
        ],
        "x",
        "y",
    ).properties(title=alt.TitleParams("Ground track"))
    thinned = f" Every {every}th fix is drawn." if every > 1 else ""
    return [
        Figure(
            "ground_track",
            chart,
            {"track": records(track.drop(columns="t").assign(t=view.x(track["t"]))), "places": marks},
            "Seen from above, one scale on both axes. Kilometres are counted from the launch, as on a flat map laid on "
            "the Earth there; colour is height."
            + thinned
            + " The thin line joins neighbouring fixes and stops at gaps.",
            aspect=aspect,
        )
    ]


def _heights(view, times):
    heights = height_at(view.story, view.folder, view.timeline, times)
    gps_times, gps = gps_heights(view.folder, view.timeline)
    return heights if np.isfinite(heights).any() or not len(gps_times) else np.interp(times, gps_times, gps)


def _marks(view, order, times, east, north):
    """Launch, burst and landing at the fix nearest in time, if one lies within ten seconds."""
    story, marks = view.story, []
    end = (story.landing_ms, "landing") if story.rested else (times[order[-1]] if story.flew else None, "last fix")
    for moment, label in ((story.launch_ms, "launch"), (story.burst_ms, "burst"), end):
        if moment is None:
            continue
        nearest = int(np.argmin(np.abs(times[order] - moment)))
        if abs(times[order[nearest]] - moment) <= 10_000:
            marks.append(
                {
                    "e": float(east[nearest]),
                    "n": float(north[nearest]),
                    "label": label,
                    "when": view.timeline.clock(moment),
                }
            )
    return marks


def _equal_window(east, north):
    """Domains of both axes with equal scales, and the plot's height over its width."""
    wide = max(np.ptp(east), SMALLEST_SPAN_KM) * 1.16
    tall = max(np.ptp(north), SMALLEST_SPAN_KM) * 1.16
    aspect = float(np.clip(tall / wide, FLATTEST, STEEPEST))
    wide, tall = max(wide, tall / aspect), max(tall, wide * aspect)
    middle = (east.min() + east.max()) / 2, (north.min() + north.max()) / 2
    return [[float(m - s / 2), float(m + s / 2)] for m, s in zip(middle, (wide, tall), strict=True)], aspect

"""The facts at the top of the page: a label, a value and a line of small print, ready to be shown."""

import numpy as np

from ground.durations import duration_words
from ground.report import flags

FROM_PROFILE = "found in the height profile"
COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
NEAR_MS = 6000.0  # of a row that has a reading, also where only the second copy is left


def fact_rows(folder, timeline, story):
    """(label, value, small print) of each fact, in the order of a reader's questions."""
    rows = [
        ("Date", _date(timeline), "" if timeline.has_utc else "the receiver gave no time"),
        (
            "Recorded",
            duration_words(timeline.end_ms - timeline.start_ms) if timeline.spans else "nothing",
            _restarts(len(timeline.spans) - 1),
        ),
    ]
    if story.flew:
        rows.append(
            ("Launch", timeline.clock(story.launch_ms), FROM_PROFILE)
            if story.launch_ms is not None
            else ("Launch", "not in the record", "the record begins in the air")
        )
        if story.launch_ms is not None and story.landing_ms is not None:
            rows.append(("In the air", duration_words(story.landing_ms - story.launch_ms), "launch to landing"))
    else:
        rows.append(("Launch", "none", "the record shows no ascent"))
    rows.append(_top("Highest by GPS", story.gps_top_m, story.gps_top_ms, timeline, "no GPS altitude in the folder"))
    if story.gps_missed_top and story.gps_top_m is not None:
        label, value, print_ = rows[-1]
        rows[-1] = (label, value, f"{print_}; not the top, where the receiver gave no height")
    rows.append(
        _top(
            "Highest by pressure",
            story.pressure_top_m,
            story.pressure_top_ms,
            timeline,
            "no pressure altitude in the folder",
        )
    )
    label, value, print_ = rows[-1]
    rows[-1] = (label, value, print_ + _rated(folder, timeline, story.pressure_top_ms))
    if story.flew:
        rows.append(
            ("Burst", timeline.clock(story.burst_ms), FROM_PROFILE)
            if story.burst_ms is not None
            else ("Burst", "not in the record", "the record shows no change from ascent to descent")
        )
        rows += _landing(timeline, story)
    rows += _coldest(folder)
    rows += _panel(folder)
    return rows


def position_words(place):
    """`57.12040° N, 14.03160° E`: five decimals are about a metre."""
    return (
        f"{abs(place.latitude_deg):.5f}° {'N' if place.latitude_deg >= 0 else 'S'}, "
        f"{abs(place.longitude_deg):.5f}° {'E' if place.longitude_deg >= 0 else 'W'}"
    )


def _restarts(count):
    if count < 1:
        return "without a restart" if count == 0 else ""
    return "with 1 restart" if count == 1 else f"with {count} restarts"


def _rated(folder, timeline, moment):
    """What to say of a pressure altitude computed from a pressure that the barometer is not rated for."""
    times, column = timeline.times(folder.flight), folder.flight["flags"]
    near = np.abs(times - moment) <= NEAR_MS if moment is not None else np.zeros(len(times), bool)
    beyond = flags.has_any(column[near], frozenset({"pressure_out_of_range"})) if near.any() else near
    return "; thinner air than the barometer's maker vouches for" if beyond.any() else ""


def _date(timeline):
    return timeline.clock(timeline.start_ms, date=True)[:10] if timeline.has_utc else "not known"


def _top(label, height_m, moment, timeline, reason):
    if height_m is None:
        return (label, "not known", reason)
    return (label, f"{height_m:,.0f} m", f"at {timeline.clock(moment)}")


def _landing(timeline, story):
    rows = []
    if story.landing_ms is not None:
        rows.append(("Landing", timeline.clock(story.landing_ms), FROM_PROFILE))
    else:
        rows.append(("Landing", "not in the record", "the record ends in the air" if story.phases else ""))
    if story.landing is None:
        rows.append(("Landing place", "not known", "no GPS position in the folder"))
    elif story.rested:
        rows.append(("Landing place", position_words(story.landing), _at_rest(story.landing.basis)))
    else:
        height = (
            ""
            if story.last_height_m is None or not np.isfinite(story.last_height_m)
            else f", {story.last_height_m:,.0f} m high"
        )
        rows.append(("Last known place", position_words(story.landing), f"not the landing: last fix{height}"))
    if story.distance_km is not None:
        toward = COMPASS[int((story.bearing_deg + 22.5) // 45) % 8]
        rows.append(("From the launch", f"{story.distance_km:.1f} km", f"towards {story.bearing_deg:.0f}° ({toward})"))
    return rows


def _at_rest(basis):
    """The decoder's words for how a place was had, plainly."""
    return basis.replace("median at rest", "middle of the positions at rest")


def _coldest(folder):
    table = folder.tables["temperature"]
    fit = ~flags.is_unfit(table["flags"]) & np.isfinite(table["temperature_c"].to_numpy())
    has_flag = flags.has_any(table["flags"], frozenset({"out_of_range"}))
    rows = []
    for name in dict.fromkeys(table["probe"].dropna().astype(str)):
        whose = (table["probe"].astype(str) == name).to_numpy()
        values = table["temperature_c"].to_numpy()[fit & whose]
        if len(values):
            beyond = has_flag[fit & whose][np.argmin(values)]
            small = f"warmest {values.max():.1f} °C" + ("; colder than its maker vouches for" if beyond else "")
            rows.append((f"Coldest, {name}", f"{values.min():.1f} °C", small))
    return rows


def _panel(folder):
    table = folder.tables["power"]
    fit = ~flags.is_unfit(table["flags"]) & np.isfinite(table["power_mw"].to_numpy())
    rows = []
    for name in dict.fromkeys(table["channel"].dropna().astype(str)):
        values = table["power_mw"].to_numpy()[fit & (table["channel"].astype(str) == name).to_numpy()]
        if len(values):
            rows.append(
                (
                    f"Most power, {name}",
                    f"{values.max():,.0f} mW",
                    f"half of all readings are below {np.median(values):,.0f} mW",
                )
            )
    return rows

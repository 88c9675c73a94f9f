"""The integrity account in plain words: what came back, what did not, and how sure that is.

What `integrity.json` alone says is told by recovered.py; here it is joined with what the tables show.
"""

import itertools

import numpy as np

from ground.durations import duration_words
from ground.report import flags, recovered
from ground.report.recovered import count as _count
from ground.report.series import gap_starts

READINGS = ("fix", "pressure", "temperature", "humidity", "power", "health")
SENSOR_OF = {"pressure": "sensor", "temperature": "probe", "humidity": "sensor", "power": "channel"}
NOUNS = {
    "fix": "GPS messages",
    "pressure": "pressure readings",
    "temperature": "temperature readings",
    "humidity": "humidity readings",
    "power": "panel and supply readings",
    "health": "health reports",
}


def sentences(folder, timeline, story):
    """Sentences for the reader, the most important first."""
    note, out = folder.integrity, []
    good = _count(note, "frames_ok")
    if good is None:
        out.append(
            "There is no integrity account in this folder (integrity.json is absent): "
            "nothing is known about records that were lost."
        )
    else:
        out.append(f"{good:,} records were recovered, each with a checksum that holds.")
        out += recovered.came_from(note)
        out.append(recovered.missing(note))
        bad = _count(note, "frames_bad") or 0
        if bad:
            out.append(
                f"{bad:,} {_plural(bad, 'stretch', 'stretches')} of the log could not be read as records and "
                f"{_were(bad)} left out, not repaired."
            )
        twice = _count(note, "frames_duplicate") or 0
        if twice:
            out.append(f"{twice:,} {_plural(twice, 'record')} {_were(twice)} found twice and counted once.")
        damaged = _count(note, "sectors_bad") or 0
        if damaged:
            out.append(f"{damaged:,} damaged {_plural(damaged, 'sector')} among {_count(note, 'sectors_read') or 0:,}.")
    out += _restarts(timeline)
    for gap, table, before, _after in longest_pauses(folder, timeline):
        out.append(f"The longest pause in the {NOUNS[table]} is {duration_words(gap)}, after {timeline.clock(before)}.")
    out += _flagged(folder)
    if not timeline.has_utc and timeline.spans:
        out.append("No reading has a time of day (the receiver gave no time), so times count from the first power-up.")
    if story.flew and story.height_source == "pressure":
        out.append("Charts against height use pressure altitude: GPS altitude covers too little of the flight.")
    return out


def to_know(folder):
    """What the decoder found out about the losses and what would bring more, as sentences."""
    notes = folder.integrity.get("notes")
    texts = [text for text in notes if isinstance(text, str) and text.strip()] if isinstance(notes, list) else []
    return [f"{text[0].upper() + text[1:] if text.split()[0].isalpha() else text}." for text in texts]


def boot_rows(folder, timeline):
    """One row for each power-up: number, start, end, length, records, longest gap [as text], and how it was placed."""
    noted: dict = {}
    for entry in folder.integrity.get("boots") or []:
        if isinstance(entry, dict):  # a boot that went on in another log has one entry for each
            before = noted.get(entry.get("boot"), {})
            frames = [number for number in (_count(before, "frames"), _count(entry, "frames")) if number is not None]
            noted[entry.get("boot")] = entry | ({"frames": sum(frames)} if frames else {})
    rows: list[dict] = []
    for span in timeline.spans:
        entry = noted.get(span.boot, {})
        gap = next(
            (entry[key] for key in ("longest_gap_ms", "longest_gap") if isinstance(entry.get(key), (int, float))), None
        )
        rows.append(
            {
                "boot": span.boot,
                "start": timeline.clock(span.start_ms),
                "end": timeline.clock(span.end_ms),
                "length": duration_words(span.end_ms - span.start_ms),
                "frames": _count(entry, "frames"),
                "gap": duration_words(gap) if gap is not None else "not known",
                "placed": _placed(span, entry, timeline, first=not rows),
            }
        )
    return rows


def _placed(span, entry, timeline, *, first):
    """How a boot came to its place on the time axis."""
    if not span.assumed:
        basis = str(entry.get("utc_basis") or "gps")
        return "by GPS time" if basis == "gps" else basis
    return "by assumption" if timeline.has_utc or not first else "starts the axis"


def longest_pauses(folder, timeline, limit=2):
    """Longest pauses of the tables that have one: (length ms, table, before, after), the longest first."""
    found = []
    assumed = [span.boot for span in timeline.spans if span.assumed]
    for name in READINGS:
        table = folder.tables[name]
        times = timeline.times(table)
        # Sensors take turns in one table; each has its own rhythm.
        whose = table[SENSOR_OF[name]].astype(str).to_numpy() if name in SENSOR_OF else np.full(len(table), "")
        boots = table["boot"].to_numpy()
        runs = [
            ~np.isin(boots, assumed),
            *(boots == boot for boot in assumed),
        ]  # no pause is measured to a guessed boot
        pauses = [_longest_pause(times[(whose == one) & run]) for one in dict.fromkeys(whose) for run in runs]
        pauses = [pause for pause in pauses if pause is not None]
        if pauses:
            found.append((max(pauses)[0], name, *max(pauses)[1:]))
    return sorted(found, reverse=True)[:limit]


def _longest_pause(times):
    """(length, before, after) of the longest gap of one sensor [ms], None without any."""
    times = np.sort(times[np.isfinite(times)])
    pauses = np.where(gap_starts(times)[1:], np.diff(times), 0.0)  # a slower rhythm after the landing is no pause
    if not len(pauses) or not pauses.max():
        return None
    k = int(np.argmax(pauses))
    return float(pauses[k]), float(times[k]), float(times[k + 1])


def _restarts(timeline):
    spans = timeline.spans
    if len(spans) <= 1:
        return ["The board ran without a restart."] if spans else ["The folder holds no reading at all."]
    pauses = []
    for before, after in itertools.pairwise(spans):
        if after.assumed or before.assumed:
            pauses.append(f"a pause of unknown length before boot {after.boot}")
        else:
            pauses.append(f"{duration_words(after.start_ms - before.end_ms)} without a record before boot {after.boot}")
    count = len(spans) - 1
    often = {1: "once", 2: "twice"}.get(count, f"{count} times")
    return [f"The board restarted {often}: {'; '.join(pauses)}."]


def _flagged(folder):
    out = []
    for table in READINGS:
        counts = flags.counts(folder.tables[table]["flags"])
        if counts:
            words = ", ".join(f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items())
            out.append(f"Flagged {NOUNS[table]}: {words}.")
    return out


def _plural(count, one, many=None):
    return one if count == 1 else many or one + "s"


def _were(count):
    return "was" if count == 1 else "were"

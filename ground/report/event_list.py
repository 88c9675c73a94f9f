"""The events worth a reader's time, in order of time."""

import re

import numpy as np

from ground.durations import duration_words
from shared_protocol import event_text, events

# What is said at every power-up of every flight, and tells nothing when all is well.
ROUTINE = {events.CHIP_PRESENT, events.LOG_ARMED}
ROWS_MAX = 150

# A sentence of the log may end a number with what the numbers mean: `phase 1 (0 ground, 1 ascending, ...)`.
_NUMBER_AND_KEY = re.compile(r"(?:a number )?(-?\d+) \(((?:-?\d+ [^,()]+, )+-?\d+ [^,()]+)\)")

# What the log's sentences, which have to serve every case, say at greater length than a reader of this one needs.
_PLAINER = (
    (re.compile(r"protocol version 0\.00 \(0\.00: it names none\)"), "a protocol that it does not name"),
    (re.compile(r" \(0\.00: it names none\)"), ""),
    (re.compile(r"\bflight phase (?=[a-z])"), "flight phase: "),
    (re.compile(r"\breceiver state (?=[a-z])"), "receiver: "),
    (re.compile(r"\bat unknown pressure altitude"), "(pressure altitude not known yet)"),
    (re.compile(r"\bpressure altitude unknown"), "pressure altitude not known yet"),
    (re.compile(r", cause power\b"), ", the power came on"),
    (re.compile(r", cause watchdog\b"), ", by the watchdog: the program had stopped"),
    (re.compile(r", cause own reset\b"), ", the board restarted itself"),
    (re.compile(r", cause unknown\b"), ", for a reason that it does not know"),
)
_IN_TROUBLE = re.compile(r"parts in trouble (\d{1,9}) \(bits: source numbers\)")

_NAMES = {code: name for code, name, _ in event_text.EVENTS}


def event_rows(folder, timeline, story):
    """Rows for the page (`when`, `since`, `boot`, `name`, `text`) and how many events they leave out."""
    table = folder.tables["event"]
    times = timeline.times(table)
    order = np.argsort(times, kind="stable")
    rows: list[dict] = []
    left_out = 0
    for k in order:
        code = table["code"].iloc[k]
        code = int(code) if np.isfinite(code) else -1
        if code in ROUTINE or len(rows) >= ROWS_MAX:
            left_out += 1
            continue
        text = table["text"].iloc[k]
        rows.append(
            {
                "when": timeline.clock(times[k]),
                "since": _since(story, times[k]),
                "boot": "" if not np.isfinite(table["boot"].iloc[k]) else int(table["boot"].iloc[k]),
                "name": _NAMES.get(code, f"code {code}").replace("_", " "),
                "text": in_words(text) if isinstance(text, str) else "",
            }
        )
    return rows, left_out


def in_words(text):
    """An event's sentence with the words that its numbers stand for, plainly; a number without a word keeps its key."""

    def word(match):
        meanings = dict(part.split(" ", 1) for part in match.group(2).split(", "))
        return meanings.get(match.group(1), match.group(0))

    text = _NUMBER_AND_KEY.sub(word, text)
    for said, plainer in _PLAINER:
        text = said.sub(plainer, text)
    return _IN_TROUBLE.sub(lambda match: _in_trouble(int(match.group(1))), text)


def _in_trouble(bits):
    names = [name for number, name in enumerate(event_text.SOURCES) if bits >> number & 1]
    if bits >> len(event_text.SOURCES):
        names.append("others")
    return f"in trouble: {', '.join(names)}" if names else "no part in trouble"


def _since(story, moment):
    if story.launch_ms is None or not np.isfinite(moment):
        return ""
    sign = "−" if moment < story.launch_ms else "+"
    return f"{sign}{duration_words(abs(moment - story.launch_ms))}"

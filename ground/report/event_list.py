"""The events worth a reader's time, in order of time."""

import re

import numpy as np

from ground.durations import duration_words
from shared_protocol import event_text, events

# What is said at every power-up of every flight, and tells nothing when all is well.
ROUTINE = {events.CHIP_PRESENT, events.LOG_ARMED}
# What comes in dozens while one trouble lasts.
REPEATED = {
    events.CARD_ERROR, events.CARD_SLOW, events.COPY_ERROR, events.TASK_ERROR, events.GNSS_NO_REPLY, events.GNSS_JUMP,
    events.GNSS_MODEL_REFUSED, events.GNSS_MODEL_WRONG, events.RECORDS_LOST,
}  # fmt: skip
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
    (re.compile(r"\bdynamic model (?=[678]\b)"), "airborne dynamic model "),  # 6, 7, 8: airborne, by acceleration
    (re.compile(r"^second copy in flash goes on at sector 0 in a ring of (.+)"),
     r"the second copy begins in the board's flash, where it has \1"),
    (re.compile(r"^second copy in flash goes on at sector (\d+) in a ring of (.+)"),
     r"the second copy goes on in the board's flash, at sector \1 of \2"),
    (re.compile(r"^log (\d+) resumed at sector (\d+)"), r"log \1 goes on where it had stopped, at sector \2"),
)  # fmt: skip
_LARGE = re.compile(r"\b\d{4,9}(?= (?:m|s|ms|bytes|good readings|times|sectors|records|wrong answers)\b)")
# Whose event it is, where the sentence only says "chip"; the tables of probes and channels say which one of several.
_PARTS = {"pressure": "barometer", "temperature": "thermometer", "power": "current sensor", "battery": "battery sensor"}
_CHIP = re.compile(r"^chip\b")
_IN_TROUBLE = re.compile(r"parts in trouble (\d{1,9}) \(bits: source numbers\)")

_NAMES = {code: name for code, name, _ in event_text.EVENTS}
_AGAIN_MS = 60_000.0  # the same event of the same part within a minute is told once, with how often


def event_rows(folder, timeline, story):
    """Rows for the page (`when`, `since`, `boot`, `name`, `text`) and how many events they leave out."""
    table = folder.tables["event"]
    times = timeline.times(table)
    order = np.argsort(times, kind="stable")
    rows: list[dict] = []
    left_out = 0
    last: list = []  # of the newest row: what it is of, when it was last, how often
    for k in order:
        code = table["code"].iloc[k]
        code = int(code) if np.isfinite(code) else -1
        part = tuple(table[column].iloc[k] for column in ("source", "unit", "boot"))
        if rows and code in REPEATED and last[0] == str((code, *part)) and times[k] - last[1] <= _AGAIN_MS:
            last = [last[0], times[k], last[2] + 1]
            until = timeline.clock(times[k])
            rows[-1]["again"] = f"{last[2]} times" + (
                f", until {until}" if until != rows[-1]["when"] else " in a second"
            )
            continue
        if code in ROUTINE or len(rows) >= ROWS_MAX:
            left_out += 1
            continue
        text = table["text"].iloc[k]
        last = [str((code, *part)), times[k], 1]
        rows.append(
            {
                "when": timeline.clock(times[k]),
                "since": _since(story, times[k]),
                "boot": "" if not np.isfinite(table["boot"].iloc[k]) else int(table["boot"].iloc[k]),
                "name": _NAMES.get(code, f"code {code}").replace("_", " ").replace("gnss", "GPS"),
                "text": _named(in_words(text), *part[:2], folder) if isinstance(text, str) else "",
                "again": "",
            }
        )
    return rows, left_out


def in_words(text):
    """An event's sentence with the words that its numbers stand for, plainly; a number without a word keeps its key."""

    def word(match):
        meanings = dict(part.split(" ", 1) for part in match.group(2).split(", "))
        return meanings.get(match.group(1), match.group(0))

    text = _LARGE.sub(lambda match: f"{int(match.group()):,}", _NUMBER_AND_KEY.sub(word, text))
    for said, plainer in _PLAINER:
        text = said.sub(plainer, text)
    return _IN_TROUBLE.sub(lambda match: _in_trouble(int(match.group(1))), text)


def _named(text, source, unit, folder):
    """A chip's sentence with the part's name in place of the word "chip"."""
    part = _PARTS.get(source) if isinstance(source, str) else None
    if part is None:
        return text
    table, column = {"temperature": ("probe", "probe"), "power": ("channel", "channel")}.get(source, (None, None))
    if table is not None:
        named = folder.tables[table]
        own = named[column][(named["number"] == unit).to_numpy()].dropna()
        if len(own):
            part = f"{part} “{own.iloc[-1]}”"
    return _CHIP.sub(lambda match: part, text)


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

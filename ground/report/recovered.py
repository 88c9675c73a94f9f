"""What was recovered, from where, and what is missing, told from `integrity.json` alone: for terminal and page.

The account may be of an older decoder or damaged by hand: whatever is not there is not told.
"""

from dataclasses import dataclass
from datetime import datetime

KINDS = {
    "image": "an image of a card",
    "bare": "an image in which no file system can be read",
    "torn": "sectors that have all lost their headers",
    "log": "a log file",
    "folder": "a folder of log files",
    "flash": "a dump of a board's flash",
    "chip": "a dump of a board's flash, its file system gone",
    "capture": "records without sectors, as a capture has them",
}
WHOLE, THINNED, NOTHING, OFF = "whole", "thinned", "nothing", "off"
MEANINGS = {
    WHOLE: "all records",
    THINNED: "the board's second copy only: a set of readings each 5 s",
    NOTHING: "nothing",
    OFF: "the board was off or starting",
}
_SIGNS = {WHOLE: "#", THINNED: "=", NOTHING: ".", OFF: " "}
_PARTLY = "+"
_PAUSE_S = 1.0  # between boots of which no time of day is known


@dataclass
class Segment:
    """A piece of the record on one axis: seconds from its beginning, what it has, and what that was in words."""

    has: str
    from_s: float
    to_s: float
    words: str


@dataclass
class Coverage:
    """All of the record on one axis, without a space between the segments; `begin`, `end`: the ends in words."""

    segments: list
    length_s: float
    begin: str
    end: str

    def kinds(self):
        """What occurs, in the order of MEANINGS."""
        there = {one.has for one in self.segments}
        return [has for has in MEANINGS if has in there]


def count(account, key):
    """A whole number of the account; None where it has none."""
    value = account.get(key)
    return int(value) if isinstance(value, (int, float)) and not isinstance(value, bool) and value == value else None


def _dicts(account, key):
    """The objects of a list of the account; none if it is no list."""
    value = account.get(key)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def came_from(account):
    """One sentence for each source: what it is, what it gave, how its log was found."""
    sources = _dicts(account, "sources")
    several = len(sources) > 1
    said = []
    for one in sources:
        text = f"{one.get('name')}, {KINDS.get(str(one.get('kind')), 'a source')}"
        if several:
            frames, alone = count(one, "frames") or 0, count(one, "frames_only_here") or 0
            only = f"{alone:,} of them only here" if alone else "all of them elsewhere too"
            text += f": {frames:,} records, {only}" if frames else ": no record of this flight"
        said.append(f"{text}.")
    for log in _dicts(account, "logs"):
        if log.get("in_tables") and log.get("found"):
            said.append(_found(log, sum(1 for one in sources if count(one, "frames")) > 1))
    return said


def _found(log, from_several):
    """How a log was found, and its records; of several sources the number is theirs together, found in one of them."""
    frames, by = f"{count(log, 'frames') or 0:,}", _by(str(log["found"]))
    if from_several:
        return f"{_label(log)}, found by {by}: {frames} records, from all of these together."
    return f"{_label(log)}: {frames} records, found by {by}."


def _label(log):
    return f"{log['file']} (log {log.get('log_id')})" if log.get("file") else f"Log {log.get('log_id')}"


def _by(found):
    return "the headers of " + found if found.startswith("the second copy") else found


def missing(account):
    """One sentence: whether something is missing, and how much."""
    good, lost = count(account, "frames_ok") or 0, count(account, "frames_missing") or 0
    thinned = min(count(account, "frames_thinned") or 0, lost)
    if not lost and account.get("cut_short"):
        return "No record is missing up to the place where the copy was cut short. What came behind it is not known."
    if not lost and any(count(boot, "sectors_lost_behind") for boot in _dicts(account, "boots")):
        return "No number is missing, but the end of a boot is lost. How many records it held is not known."
    if not lost:
        return "No record is missing from the first to the last one: the numbering has no hole."
    if lost == thinned:
        return f"{lost:,} more records are on the card only; of the second copy no record is missing."
    gone = lost - thinned
    was = "record is" if gone == 1 else "records are"
    more = f" {thinned:,} more are on the card only." if thinned else ""
    return f"{gone:,} {was} missing ({share(gone, good + lost)}): the numbering has holes there.{more}"


def share(part, whole):
    """`0.53 % of all`."""
    percent = 100 * part / max(whole, 1)
    if 0.0 < percent < 0.01:
        return "less than 0.01 % of all"
    return f"{percent:.2g} % of all" if percent < 99.5 else "nearly all"


def coverage(account):
    """The record as one row of segments; None where the account has no stretches."""
    stretches = [one for one in _dicts(account, "stretches") if str(one.get("has")) in MEANINGS]
    segments, at, zero = [], None, None
    boots: dict = {}
    for one in stretches:
        boots.setdefault((str(one.get("log_id")), str(one.get("boot"))), []).append(one)
    for own in boots.values():
        try:
            begin = _moment(own[0]["from_utc"])
            first_ms, last_ms = float(own[0]["from_ms"]), float(own[-1]["to_ms"])
        except (KeyError, TypeError, ValueError):
            return None
        if zero is None and begin is not None:
            zero = begin - (0.0 if at is None else at + _PAUSE_S)
        start = begin - zero if begin is not None else 0.0 if at is None else at + _PAUSE_S
        if at is not None and start > at:
            segments.append(Segment(OFF, at, start, f"no record, {_length(start - at)}"))
        start = max(start, at or 0.0)
        for one in own:
            a, b = (start + (float(one[edge]) - first_ms) / 1000.0 for edge in ("from_ms", "to_ms"))
            segments.append(Segment(one["has"], a, b, _words(one)))
        at = start + (last_ms - first_ms) / 1000.0
    if not segments or at is None or at <= 0.0:
        return None
    if zero is None:
        return Coverage(segments, at, "power-up", f"{_length(at)} later")
    return Coverage(segments, at, _clock(zero), f"{_clock(zero + at)} UTC")


def bar(covered, width):
    """The segments as one line of `width` signs: see `legend`."""
    signs = []
    for column in range(width):
        first, last = (covered.length_s * (column + edge) / width for edge in (0, 1))
        parts = dict.fromkeys(MEANINGS, 0.0)
        for one in covered.segments:
            parts[one.has] += max(0.0, min(last, one.to_s) - max(first, one.from_s))
        most = max(parts, key=lambda has: parts[has])
        lacking = parts[NOTHING] + parts[THINNED] > 0.0
        signs.append(_PARTLY if most in (WHOLE, OFF) and lacking else _SIGNS[most])
    return "".join(signs)


def legend(covered):
    """What the signs of `bar` mean, those that may occur; one text each."""
    said = [f"{_SIGNS[has]}  {MEANINGS[has]}" for has in covered.kinds() if has != OFF]
    if NOTHING in covered.kinds() or THINNED in covered.kinds():
        said.append(f"{_PARTLY}  something of it is missing")
    return said


def _words(one):
    begin, end = _moment(one.get("from_utc")), _moment(one.get("to_utc"))
    length = (float(one["to_ms"]) - float(one["from_ms"])) / 1000.0
    when = (
        f"{_clock(begin)} to {_clock(end)} UTC" if begin is not None and end is not None else f"boot {one.get('boot')}"
    )
    frames, lost = count(one, "frames") or 0, count(one, "frames_missing") or 0
    what = f"{frames:,} records"
    if one["has"] == NOTHING:
        what = f"{lost:,} records missing" if lost else "an unknown number of records missing"
    return f"{when}, {_length(length)}: {MEANINGS[one['has']]}, {what}"


def _moment(text):
    """Seconds since 1970 of an ISO text; None for None."""
    return None if text is None else datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp()


def _clock(moment_s):
    minutes, seconds = divmod(int(moment_s) % 86400, 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"


def _length(seconds):
    if seconds < 60:
        return f"{seconds:.1f} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"

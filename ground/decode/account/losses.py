"""What was lost and what it would take to get it, in plain words: for `notes` in integrity.json and for the terminal.

Sectors of a log carry rising numbers, so a number that no sector has is a place where something was. What lies there
now tells why: zeros are what a rescue copy leaves for what it could not read, other bytes are damage, and where there
is no such place at all the log is in pieces or the copy is cut. One number is left out on purpose at each power-up.
"""

from ground.decode.account import tails
from ground.decode.account.lost_sectors import lost_sectors, sectors_of
from ground.decode.account.stretches import NOTHING
from ground.decode.choice import label
from ground.decode.copies import FLASH, KEYS_MAX
from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.moments import iso
from ground.decode.salvage import endings
from shared_protocol.second_copy import PERIOD_MS

_FEW = 3  # records in a row; many holes of so few are told together
_NEVER_WRITTEN = "; no sector is damaged or lost, so another copy would not bring them: the board never wrote them here"
_TOLD_MAX = 3  # stretches that are named one by one
_WHAT_NEXT = {
    "empty": (
        "empty in this copy, as a rescue copy leaves what it could not read",
        "read the card into the same copy again, with more tries (ddrescue goes on where it stopped)",
    ),
    "spoilt": (
        "there and not readable",
        "another copy of the card may have them whole; if it is the same, they are lost on the card",
    ),
    "foreign": ("overwritten by another log", "they are lost here; an older copy of the card may have them"),
    "absent": (
        "nowhere in this copy",
        "if it is a copy of one file or of a part of the card, decode an image of the whole card",
    ),
}

_CUT = (
    "the copy ends in the middle of a sector: it was cut short, and what came behind is not counted as missing; copy "
    "the whole card or file again"
)


def notes(source, records, decoded, sectors_bad=0, frames_bad=0, covered=(), cut_copies=(), lost_ends=None):
    """Sentences without their full stop; none for a log that is whole.

    Parameters
    ----------
    source : sources.Source
    records : records.Records
    decoded : convert.Decoded
    sectors_bad, frames_bad : int
        As in integrity.json.
    covered : list of (BootFrames, stretches.Stretch)
        Looked at where the second copy had a part in it: its own numbers have holes on purpose.
    cut_copies : list of endings.Short
    lost_ends : dict of int to tails.Tail, optional
    """
    said = _where_from(source, decoded)
    if source.has_headers and (lost_ends or any(boot.missing for boot in decoded.boots)):
        for log in decoded.logs:
            if log.chosen:
                said += _told(log, lost_sectors(records, log.log_id), decoded)
    number_of = {boot.key: boot.boot for boot in decoded.boots}
    longest = sorted((lost_ends or {}).values(), key=lambda tail: -tail.sectors)
    for tail in longest[:_TOLD_MAX]:
        when = between(decoded.lines.get(tail.key), tail.from_ms, tail.to_ms)
        said.append(tails.told(tail, number_of[tail.key], when))
    if len(longest) > _TOLD_MAX:
        said.append(f"the ends of {len(longest) - _TOLD_MAX} more boots are lost")
    cut = is_cut(records)
    hurt = [endings.told(one, decoded, records.keys.pairs) for one in cut_copies]
    hurt += [_CUT] if cut and not hurt else []
    if not cut or sectors_bad > 1:  # the one at the cut is told of
        place = "place" if source.kind == "capture" else "sector"
        hurt += _hurt(sectors_bad, frames_bad, None if cut else sum(boot.missing for boot in decoded.boots), place)
    whole = not hurt and len(said) == len(_where_from(source, decoded)) and source.has_headers
    if decoded.origin is not None and FLASH in decoded.origin.by_copy:
        return _holes(decoded, covered) + said + hurt
    return _gaps(decoded, whole) + said + hurt + _second_copy(decoded, covered)


def _holes(decoded, covered):
    """The longest stretches of time for which neither copy has anything."""
    holes = [(boot, one) for boot, one in covered if one.has == NOTHING]
    holes.sort(key=lambda pair: pair[1].from_ms - pair[1].to_ms)
    said = []
    for boot, one in holes[:_TOLD_MAX]:
        lost = f"{one.missing:,} records" if one.missing > 1 else "1 record"
        when = between(decoded.lines.get(boot.key), one.from_ms, one.to_ms)
        said.append(f"nothing is there of boot {boot.boot} {when}: {lost}")
    if len(holes) > _TOLD_MAX:
        said.append(f"{len(holes) - _TOLD_MAX} more and shorter stretches are empty")
    return said


def _second_copy(decoded, covered):
    """Advice to read the board's flash too, where it may fill a hole."""
    if not any(one.has == NOTHING and one.to_ms - one.from_ms >= PERIOD_MS for _boot, one in covered):
        return []
    return [
        "the board keeps a second copy in its flash, one set of readings each 5 s: get it with `thistledown fetch "
        "--port PORT -o DIR`, and give DIR to `thistledown decode` beside this source"
    ]


def _hurt(sectors_bad, frames_bad, missing, place):
    """What the damage cost; `missing` by the numbering, None if the end is unknown; `place`: what is counted."""
    if not sectors_bad:
        return []
    are = f"{place}s are damaged" if sectors_bad > 1 else f"{place} is damaged"
    if frames_bad and missing == 0:
        return [f"{sectors_bad} {are} or out of place, and no record is missing for it"]
    if missing is not None and frames_bad > missing:  # shifted sectors give false beginnings of frames
        return [
            f"{sectors_bad} {are} or out of place; every whole record was taken, and another copy of the card may have "
            "those that are missing"
        ]
    if not frames_bad and missing == 0:
        return [f"{sectors_bad} {are}; every record in the damage was whole and was taken"]
    if not frames_bad:  # of sectors overwritten whole nothing is left that could be counted
        return [f"{sectors_bad} {are}; every whole record in them was taken"]
    lost = "records" if frames_bad > 1 else "record"
    return [
        f"{sectors_bad} {are}: {frames_bad} {lost} in the damage could not be read, every whole one was taken; "
        "another copy of the card may have what this one lacks"
    ]


def _where_from(source, decoded):
    changes = [f"{change} on the way into the file, and that was undone" for change in source.changes]
    return changes + _found_how(source, decoded)


def _found_how(source, decoded):
    chosen = {(boot.log_id, boot.boot) for boot in decoded.boots}
    unnamed = [one for one in source.nameless if (one.log_id, one.boot) in chosen]
    if unnamed:
        which = ("" if len(unnamed) == len(chosen) else "of some power-ups ") + "no sector header is whole"
        guessed = any(one.guessed for one in unnamed)
        number = "; the log's id is a guess, which only tells this log from others" if guessed else ""
        return [f"{which}; whose the records are was worked out from their own checksums{number}"]
    if source.kind == "capture":
        return [
            "this is a capture of records without their sectors; what was not captured is on the card, if anywhere: "
            "decode an image of it"
        ]
    if source.kind == "flash":
        return ["the records were put together from the blocks of a flash file system, without its directories"]
    if source.kind == "chip":
        return ["no file system is left in this dump of flash; the records were found by the marks of their sectors"]
    unnamed = [label(log) for log in decoded.logs if log.chosen and log.file is None and log.on_card]
    if source.kind not in ("image", "bare") or not unnamed:
        return []
    if source.files:
        why = "deleted, or the card was formatted or used again since"
        return [f"{' and '.join(unnamed)} has no name on the card ({why}) and was found by its sectors"]
    return [
        "no name of a log is left here (deleted, the card formatted, its file system damaged), or there never was one; "
        "found by sectors alone"
    ]


def tails_of(records, decoded):
    """Lost ends of the flight's boots, by key number: see tails.py. Logs of a single boot have none."""
    if len(decoded.boots) < 2 or len(records.keys.pairs) > KEYS_MAX:
        return {}
    boots, found = {boot.key: boot for boot in decoded.boots}, {}
    for log_id in {boot.log_id for boot in decoded.boots}:
        sectors, keys, t_ms, _places = sectors_of(records, log_id)
        found |= tails.lost_tails(sectors, keys, t_ms, boots, decoded.lines)
    return found


def _told(log, stretches, decoded):
    said = []
    for why, (what, next_step) in _WHAT_NEXT.items():
        own = [one for one in stretches if one.why == why]
        if not own:
            continue
        count = sum(one.last - one.first + 1 for one in own)
        own.sort(key=lambda one: one.first - one.last)
        named = "; ".join(_named(one, decoded) for one in own[:_TOLD_MAX])
        rest = len(own) - _TOLD_MAX
        more = f"; and {rest} more stretch{'es' if rest > 1 else ''}" if rest > 0 else ""
        are = "sectors are" if count > 1 else "sector is"
        said.append(f"{label(log)}: {count} {are} {what} (number {named}{more}); {next_step}")
    return said


def _named(one, decoded):
    numbers = f"{one.first} to {one.last}" if one.last > one.first else f"{one.first}"
    when = _when(decoded, one.before, one.behind)
    return f"{numbers}, {when}" if when else numbers


def is_cut(records):
    """Whether a copy ends in the middle of a sector of a log."""
    for piece in records.pieces:
        blocks = piece.blocks
        if blocks.size % SECTOR_SIZE and blocks.count and blocks.owner[-1] >= 0:
            return True
    return False


def _gaps(decoded, whole):
    """The longest gaps in the numbers of frames; `whole`: no sector is lost or damaged."""
    gaps = sorted(((gap, boot) for boot in decoded.boots for gap in boot.gaps), key=lambda pair: -pair[0][0])
    total, said = sum(boot.missing for boot in decoded.boots), []
    if len(gaps) > _TOLD_MAX and gaps[0][0][0] <= _FEW:
        row = f"at most {gaps[0][0][0]} in a row" if gaps[0][0][0] > 1 else "one at a time"
        return [f"{total:,} records are missing, {row}, in many places" + (_NEVER_WRITTEN if whole else "")]
    for (missing, from_ms, to_ms), boot in gaps[:_TOLD_MAX]:
        are = "records are" if missing > 1 else "record is"
        when = between(decoded.lines.get(boot.key), from_ms, to_ms)
        said.append(f"{missing:,} {are} missing in boot {boot.boot} {when}")
    rest = total - sum(gap[0] for gap, _boot in gaps[:_TOLD_MAX])
    if rest > 0:
        said.append(f"{rest:,} more records are missing in other places" if said else f"{rest:,} records are missing")
    if said and whole:
        said[-1] += _NEVER_WRITTEN
    return said


def between(line, from_ms, to_ms):
    """`between 2031-05-27 05:16:42 and 05:31:38 UTC`, of times since boot; seconds after power-up without a line."""
    if line is None:
        first, last = (f"{ms / 1000:.1f} s" for ms in sorted((from_ms, to_ms)))
        return f"at {first} after power-up" if first == last else f"between {first} and {last} after power-up"
    return _of_day(int(line.at(from_ms)), int(line.at(to_ms)))


def _when(decoded, before, behind):
    """The same for two times of two boots, each a key number and ms; empty where one has no time of day.

    `before` is None at the beginning of a log.
    """
    lines = [decoded.lines.get(moment[0]) for moment in (before, behind) if moment]
    if None in lines:
        return ""
    moments = [int(line.at(moment[1])) for line, moment in zip(lines, filter(None, (before, behind)), strict=True)]
    return _of_day(*moments) if before else f"before {_seconds(moments[0])} UTC"


def _of_day(first_ms, last_ms):
    """Readings may be stamped a little before their neighbours: the earlier moment comes first."""
    first, last = (_seconds(ms) for ms in sorted((first_ms, last_ms)))
    if first == last:
        return f"at {first} UTC"
    return f"between {first} and {last[11:] if last[:10] == first[:10] else last} UTC"


def _seconds(moment_ms):
    return iso(moment_ms)[:19].replace("T", " ")

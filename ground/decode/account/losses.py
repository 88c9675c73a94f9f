"""What was lost and what it would take to get it, in plain words: for `notes` in integrity.json and for the terminal.

Sectors of a log carry rising numbers, so a number that no sector has is a place where something was. What lies there
now tells why: zeros are what a rescue copy leaves for what it could not read, other bytes are damage, and where there
is no such place at all the log is in pieces or the copy is cut. One number is left out on purpose at each power-up.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.account import tails
from ground.decode.account.stretches import NOTHING
from ground.decode.choice import label
from ground.decode.copies import FLASH, KEYS_MAX, second_copy_blocks
from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.moments import iso
from ground.decode.salvage import endings
from shared_protocol.second_copy import FOLDER, PERIOD_MS

_FEW = 3  # records in a row; many holes of so few are told together
_NEVER_WRITTEN = "; no sector is damaged or lost, so another copy would not bring them: the board never wrote them here"
_TOLD_MAX = 3  # stretches that are named one by one
_T_MS, _SECTOR = slice(6, 10), slice(18, 22)  # in a sector's header
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


@dataclass
class Stretch:
    """Sectors of one log, first to last, that gave no record; `why`: a key of _WHAT_NEXT."""

    first: int
    last: int
    why: str
    when: str  # empty without a time of day


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
    if source.kind != "capture" and (lost_ends or any(boot.missing for boot in decoded.boots)):
        for log in decoded.logs:
            if log.chosen:
                said += _told(log, lost_sectors(records, decoded, log.log_id))
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
    hurt += _hurt(sectors_bad, frames_bad, None if cut else sum(boot.missing for boot in decoded.boots))
    whole = not hurt and len(said) == len(_where_from(source, decoded)) and source.kind != "capture"
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
        "the board keeps a second copy in its flash, one set of readings each 5 s: read its folder "
        f"`{FOLDER}` out of the board, or dump the flash, and give that to `thistledown decode` beside this source"
    ]


def _hurt(sectors_bad, frames_bad, missing):
    """What the damage cost; `missing` by the numbering, None if the end is unknown."""
    if not sectors_bad:
        return []
    are = "sectors are damaged" if sectors_bad > 1 else "sector is damaged"
    if frames_bad and missing == 0:
        return [f"{sectors_bad} {are} or out of place, and no record is missing for it"]
    if missing is not None and frames_bad > missing:  # shifted sectors give false beginnings of frames
        return [
            f"{sectors_bad} {are} or out of place; every whole record was taken, and another copy of the card may have "
            "those that are missing"
        ]
    if not frames_bad:
        return [f"{sectors_bad} {are}; every record in the damage was whole and was taken"]
    lost = "records" if frames_bad > 1 else "record"
    return [
        f"{sectors_bad} {are}: {frames_bad} {lost} in the damage could not be read, every whole one was taken; "
        "another copy of the card may have what this one lacks"
    ]


def _where_from(source, decoded):
    changes = [f"{change} on the way into the file, and that was undone" for change in source.changes]
    return changes + _found_how(source, decoded)


def _found_how(source, decoded):
    if source.nameless:
        guessed = any(one.guessed for one in source.nameless)
        number = "; the log's id is a guess, which only tells this log from others" if guessed else ""
        return [f"no sector header is whole; whose the records are was worked out from their own checksums{number}"]
    if source.kind == "capture":
        return [
            "this is a capture of records without their sectors; what was not captured is on the card, if anywhere: "
            "decode an image of it"
        ]
    if source.kind == "flash":
        return ["the records were put together from the blocks of a flash file system, without its directories"]
    unnamed = [label(log) for log in decoded.logs if log.chosen and log.file is None and log.on_card]
    if source.kind != "image" or not unnamed:
        return []
    if source.files:
        why = "deleted, or the card was formatted or used again since"
        return [f"{' and '.join(unnamed)} has no name on the card ({why}) and was found by its sectors"]
    return ["no file system with a log's name could be read (damaged, emptied or none); found by sectors alone"]


def lost_sectors(records, decoded, log_id):
    """Stretches of a log's sector numbers that gave nothing; list of Stretch."""
    sectors, keys, t_ms, places = _sectors_of(records, log_id)
    result = []
    for n in np.flatnonzero(np.diff(sectors) > 1).tolist():
        first, last = int(sectors[n]) + 1, int(sectors[n + 1]) - 1
        if first == last and keys[n] != keys[n + 1]:
            continue  # left out by the power-up between them
        when = _when(decoded, *((int(keys[k]), int(t_ms[k])) for k in (n, n + 1)))
        (piece, before), (other, behind) = places[n].tolist(), places[n + 1].tolist()
        if piece != other or behind - before != last - first + 2 or not _in_one_piece(records, piece, before, behind):
            result.append(Stretch(first, last, "absent", when))
            continue
        result += [
            Stretch(first + a, first + b, why, when)
            for a, b, why in _looked_at(records, records.pieces[piece], before, behind, log_id)
        ]
    return result


def _sectors_of(records, log_id):
    """Number, key, time and (piece, block) of each sector with an intact header, by number and each number once."""
    columns = [(np.empty(0, np.int64),) * 3 + (np.empty((0, 2), np.int64),)]
    mine = np.array([pair[0] == log_id for pair in records.keys.pairs] + [False])
    for number, piece in enumerate(records.pieces):
        # LOOSE is -1, the last one; the second copy numbers its sectors by itself
        blocks = np.flatnonzero(mine[piece.blocks.owner] & ~second_copy_blocks(piece.blocks))
        heads = piece.blocks.data.reshape(-1, SECTOR_SIZE)[blocks, : _SECTOR.stop]
        words = [np.ascontiguousarray(heads[:, part]).view("<u4").ravel().astype(np.int64) for part in (_SECTOR, _T_MS)]
        place = np.stack([np.full(len(blocks), number), blocks], axis=1)
        columns.append((words[0], piece.blocks.owner[blocks].astype(np.int64), words[1], place))
    whole = [np.concatenate(column) for column in zip(*columns, strict=True)]
    order = np.unique(whole[0], return_index=True)[1]
    return [column[order] for column in whole]


def tails_of(records, decoded):
    """Lost ends of the flight's boots, by key number: see tails.py. Logs of a single boot have none."""
    if len(decoded.boots) < 2 or len(records.keys.pairs) > KEYS_MAX:
        return {}
    boots, found = {boot.key: boot for boot in decoded.boots}, {}
    for log_id in {boot.log_id for boot in decoded.boots}:
        sectors, keys, t_ms, _places = _sectors_of(records, log_id)
        found |= tails.lost_tails(sectors, keys, t_ms, boots, decoded.lines)
    return found


def _in_one_piece(records, piece, before, behind):
    return bool(records.pieces[piece].blocks.joined[before:behind].all())


def _looked_at(records, piece, before, behind, log_id):
    """(first, last, why) of the blocks between two, counted from 0; without those that gave records all the same."""
    mine = np.array([pair[0] == log_id for pair in records.keys.pairs], dtype=bool)
    blocks = np.arange(before + 1, behind)
    gave = np.isin(blocks, piece.found.starts[mine[piece.found.keys]] // SECTOR_SIZE)
    empty = ~piece.blocks.data.reshape(-1, SECTOR_SIZE)[blocks].any(axis=1)
    state = np.select([gave, empty, piece.blocks.owner[blocks] >= 0], [0, 1, 2], 3)
    edges = np.flatnonzero(np.diff(state)) + 1
    return [
        (int(a), int(b) - 1, ("", "empty", "foreign", "spoilt")[state[a]])
        for a, b in zip(np.append(0, edges), np.append(edges, len(state)), strict=True)
        if state[a]
    ]


def _told(log, stretches):
    said = []
    for why, (what, next_step) in _WHAT_NEXT.items():
        own = [one for one in stretches if one.why == why]
        if not own:
            continue
        count = sum(one.last - one.first + 1 for one in own)
        own.sort(key=lambda one: one.first - one.last)
        named = "; ".join(_named(one) for one in own[:_TOLD_MAX])
        more = f"; and {len(own) - _TOLD_MAX} shorter stretches" if len(own) > _TOLD_MAX else ""
        are = "sectors are" if count > 1 else "sector is"
        said.append(f"{label(log)}: {count} {are} {what} (number {named}{more}); {next_step}")
    return said


def _named(one):
    numbers = f"{one.first} to {one.last}" if one.last > one.first else f"{one.first}"
    return f"{numbers}, {one.when}" if one.when else numbers


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
        return f"between {from_ms / 1000:.1f} s and {to_ms / 1000:.1f} s after power-up"
    return _of_day(int(line.at(from_ms)), int(line.at(to_ms)))


def _when(decoded, *moments):
    """The same for two times of two boots, each a key number and ms; empty where one has no time of day."""
    lines = [decoded.lines.get(key) for key, _t_ms in moments]
    if None in lines:
        return ""
    return _of_day(*(int(line.at(t_ms)) for line, (_key, t_ms) in zip(lines, moments, strict=True)))


def _of_day(first_ms, last_ms):
    first, last = (iso(ms)[:19].replace("T", " ") for ms in (first_ms, last_ms))
    return f"between {first} and {last[11:] if last[:10] == first[:10] else last} UTC"

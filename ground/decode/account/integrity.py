"""integrity.json: what was recovered, what was not, and what the tables rest on. Nothing is mended in silence.

`frames_bad` counts damage that is seen, `frames_missing` numbers that no intact frame carries: a damaged frame is in
both. All figures at the top are about the logs of this flight; other logs of the source stand under `logs`.

A frame that the card and the second copy both have counts once, and is no duplicate; `copies` and `sources` say what
each gave. `frames_thinned` are those of `frames_missing` that the second copy leaves out by design, where nothing else
has them. `stretches` says for which time the record is whole, thinned or empty.
"""

import numpy as np

from ground.decode import clock_wrap
from ground.decode.account import conflicts, losses, stretches
from ground.decode.account.copy_notes import found_by, told_of_copies
from ground.decode.copies import CARD, KEYS_MAX, Copies
from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.moments import iso
from ground.decode.salvage import endings
from shared_protocol.frame import FILL

_SECTORS_IN_PLACE = ("log", "folder", "image", "bare", "several")


def account(source, records, decoded, parts, numbers):
    """The account as a JSON object.

    Parameters
    ----------
    source : sources.Source
    records : records.Records
        Of the whole source.
    decoded : convert.Decoded
    parts : list of together.Part
        What the user pointed at.
    numbers : list of int
        Which of them each piece of `records` is from.
    """
    chosen = {log.log_id for log in decoded.logs if log.chosen}
    mine = np.array([pair[0] in chosen for pair in records.keys.pairs], dtype=bool)
    sectors = _sectors(records, mine, [parts[number].kind == "flash" for number in numbers])
    duplicates = _duplicates(decoded, parts)
    covered, thinned = _stretches(records, decoded)
    notes = list(decoded.notes) + told_of_copies(decoded, parts, covered)
    notes += conflicts.told(conflicts.conflicts(records, decoded.boots), len(parts))
    cut = endings.shorts(source, records, decoded)
    tails = losses.tails_of(records, decoded) if source.kind in _SECTORS_IN_PLACE else {}
    notes += losses.notes(source, records, decoded, sectors["sectors_bad"], sectors["frames_bad"], covered, cut, tails)
    unknown = _unknown_records(records, mine)
    if unknown:
        notes.append(
            f"{sum(entry['count'] for entry in unknown)} records of kinds this decoder does not know were skipped; "
            "a newer decoder reads them"
        )
    if sectors["sectors_newer_format"]:
        notes.append(
            f"{sectors['sectors_newer_format']} sectors are of a newer format than this decoder's; "
            "only records it knows were read"
        )
    if decoded.uncalibrated:
        notes.append(
            f"{decoded.uncalibrated} readings lack their calibration in the log; their physical values are null"
        )
    return {
        "source": {"kind": source.kind, "names": source.names, "bytes_read": int(source.bytes_read)},
        "frames_ok": sum(boot.frames for boot in decoded.boots),
        "frames_bad": sectors.pop("frames_bad"),
        "frames_missing": sum(boot.missing for boot in decoded.boots),
        "frames_thinned": sum(thinned.values()),
        "cut_short": losses.is_cut(records) or any(one.last for one in cut),
        "ends_early": [endings.as_json(one, decoded, records.keys.pairs) for one in cut],
        "frames_duplicate": sum(duplicates.values()),
        **sectors,
        "sources": _sources(parts, decoded),
        "copies": _copies(decoded),
        "stretches": [_stretch(boot, one, decoded.lines[boot.key]) for boot, one in _with_tails(covered, tails)],
        "records_unknown": unknown,
        "readings_without_calibration": decoded.uncalibrated,
        "bench_calibrations": decoded.calibrated,
        "logs": [_log(log, source) for log in decoded.logs],
        "boots": [
            _boot(boot, duplicates[boot.key], decoded.lines[boot.key], decoded.times_refused.get(boot.key, {}))
            | {"sectors_lost_behind": tails[boot.key].sectors if boot.key in tails else 0}
            for boot in decoded.boots
        ],
        "notes": notes,
    }


def _duplicates(decoded, parts):
    """By key number, frames found again within one source: what two sources both have is no duplicate.

    A flash file system keeps old states of its blocks beside new ones; what only they repeat is none either.
    """
    if decoded.origin is None:
        return {boot.key: boot.duplicate for boot in decoded.boots}
    total = {boot.key: 0 for boot in decoded.boots}
    for number, repeated in decoded.origin.repeated_by_part.items():
        if parts[number].kind != "flash":
            for key, count in repeated.items():
                total[key] += count
    return total


def _sources(parts, decoded):
    """What each thing that the user pointed at gave to the flight: frames, and of them those that no other has."""
    said = []
    for number, part in enumerate(parts):
        counted = decoded.origin.by_part.get(number) if decoded.origin else None
        frames = counted.frames if counted else 0 if decoded.origin else sum(boot.frames for boot in decoded.boots)
        said.append(
            {
                "name": part.name,
                "kind": part.kind,
                "bytes_read": int(part.bytes_read),
                "frames": frames,
                "frames_only_here": counted.alone if counted else frames,
            }
        )
    return said


def _copies(decoded):
    """The same for the two copies of a log: the card's, and the thinned one in the board's flash."""
    if decoded.origin is None:
        frames = sum(boot.frames for boot in decoded.boots)
        return {CARD: {"frames": frames, "frames_only_here": frames}}
    return {name: {"frames": one.frames, "frames_only_here": one.alone} for name, one in decoded.origin.by_copy.items()}


def _stretches(records, decoded):
    """(boot, stretch) of all boots in order; and by key number how many frames the second copy left out.

    A boot without a hole is one stretch, and its frames are not gone through, but where the second copy may fill one.
    """
    origin, result, thinned = decoded.origin, [], {}
    holed = [boot for boot in decoded.boots if boot.missing]
    if len(records.keys.pairs) > KEYS_MAX:
        return [], {}
    if origin is None and holed:
        mine = np.zeros(len(records.keys.pairs), dtype=bool)
        mine[[boot.key for boot in holed]] = True
        origin = Copies(records, [0] * len(records.pieces), mine)
    for boot in decoded.boots:
        if not boot.missing and not (decoded.origin and decoded.origin.is_merged):
            result.append((boot, stretches.Stretch(stretches.WHOLE, boot.first_ms, boot.last_ms, boot.frames, 0)))
            continue
        t_ms, seq, on_card = origin.of_boot(boot.key)
        t_ms = clock_wrap.counted_on(decoded.wraps, np.full(len(t_ms), boot.key), t_ms)
        order = np.argsort(t_ms, kind="stable")
        own, left_out = stretches.of_boot(t_ms[order], seq[order], on_card[order])
        lost = boot.missing - sum(one.missing for one in own)
        result += [(boot, one) for one in stretches.before_first(own[0].from_ms, lost) + own]
        if left_out:
            thinned[boot.key] = min(left_out, boot.missing)
    return result, thinned


def _with_tails(covered, tails):
    """The same with an empty stretch behind each boot whose end is lost; how many records it lacks is not known."""
    result = []
    for n, (boot, one) in enumerate(covered):
        result.append((boot, one))
        tail = tails.get(boot.key)
        if tail and tail.to_ms > tail.from_ms and (n + 1 == len(covered) or covered[n + 1][0] is not boot):
            result.append((boot, stretches.Stretch(stretches.NOTHING, tail.from_ms, tail.to_ms, 0, None)))
    return result


def _stretch(boot, one, line):
    from_utc, to_utc = (iso(int(line.at(t_ms))) if line else None for t_ms in (one.from_ms, one.to_ms))
    return {
        "log_id": boot.log_id,
        "boot": boot.boot,
        "has": one.has,
        "from_utc": from_utc,
        "to_utc": to_utc,
        "from_ms": one.from_ms,
        "to_ms": one.to_ms,
        "frames": one.frames,
        "frames_missing": one.missing,
    }


def _log(log, source):
    return {
        "log_id": log.log_id,
        "file": log.file,
        "found": found_by(log, source),
        "boots": log.boots,
        "frames": log.frames,
        "first_utc": iso(log.first_ms),
        "last_utc": iso(log.last_ms),
        "in_tables": log.chosen,
    }


def _boot(boot, duplicate, line, times_refused):
    def utc(t_ms):
        return iso(int(line.at(t_ms))) if line else None

    return {
        "log_id": boot.log_id,
        "boot": boot.boot,
        "first_utc": utc(boot.first_ms),
        "last_utc": utc(boot.last_ms),
        "first_ms": boot.first_ms,
        "last_ms": boot.last_ms,
        "frames": boot.frames,
        "frames_missing": boot.missing,
        "frames_duplicate": duplicate,
        "longest_gap_ms": boot.longest_gap_ms,
        "longest_gap_at_ms": boot.longest_gap_at_ms,
        "longest_gap_at_utc": utc(boot.longest_gap_at_ms),
        "utc_basis": line.basis if line else None,
        "utc_uncertainty_ms": round(line.uncertainty_ms) if line else None,
        "gnss_times_refused": times_refused,
        "clock_rate_ppm": round((line.rate - 1) * 1e6, 1) if line else None,
    }


def _sectors(records, mine, scattered_pieces):
    """Sectors read and bad, bad frames and sectors of a newer format, of the flight's logs."""
    total = {"frames_bad": 0, "sectors_read": 0, "sectors_bad": 0, "sectors_newer_format": 0}
    for piece, scattered in zip(records.pieces, scattered_pieces, strict=True):
        blocks = piece.blocks
        ours = _belongs(piece, mine)
        if scattered:  # chains of blocks begin and end anywhere, and old states of a block lie beside new ones
            total["sectors_read"] += int(((blocks.owner >= 0) & ours).sum())
            continue
        hurt = (blocks.owner < 0) & ours & blocks.aligned & _written(blocks, np.flatnonzero((blocks.owner < 0) & ours))
        bad = (piece.damage.bad_block & ours) | hurt
        total["frames_bad"] += int(piece.damage.frames_bad[ours].sum())
        total["sectors_read"] += int(((blocks.owner >= 0) & ours).sum() + hurt.sum())
        total["sectors_bad"] += int(bad.sum())
        total["sectors_newer_format"] += int((blocks.is_newer() & ours).sum())
    return total


def _belongs(piece, mine):
    """Blocks of the flight's logs: owned by them, or headerless and between two that are, or with frames of theirs."""
    blocks = piece.blocks
    owned = blocks.owner >= 0
    ours = owned & np.append(mine, False)[np.where(owned, blocks.owner, len(mine))]
    numbers = np.arange(blocks.count)
    before = np.maximum.accumulate(np.where(owned, numbers, -1))
    behind = np.minimum.accumulate(np.where(owned, numbers, blocks.count)[::-1])[::-1]
    between = ~owned & (before >= 0) & (behind < blocks.count)
    between[between] = ours[before[between]] & ours[behind[between]]
    place = piece.found.starts // SECTOR_SIZE
    salvaged = np.zeros(blocks.count, dtype=bool)
    salvaged[place[mine[piece.found.keys]]] = True
    return ours | between | salvaged & ~owned


def _written(blocks, numbers):
    """Of the given blocks those that are neither all zeros nor all fill; bool, shape (blocks,)."""
    written = np.zeros(blocks.count, dtype=bool)
    for number in numbers.tolist():
        raw = blocks.data[number * SECTOR_SIZE : (number + 1) * SECTOR_SIZE]
        written[number] = not ((raw == 0).all() or (raw == FILL).all())
    return written


def _unknown_records(records, mine):
    counts = {}
    for piece in records.pieces:
        for (key, record_type, length), count in piece.damage.unknown.items():
            if mine[key]:
                counts[record_type, length] = counts.get((record_type, length), 0) + count
    return [
        {"type": record_type, "length": length, "count": count}
        for (record_type, length), count in sorted(counts.items())
    ]

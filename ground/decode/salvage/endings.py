"""Copies that end before what they are a copy of: an image before its card does, a log file before the board's does.

One that is cut at a sector's border has no torn sector to show it. But a partition table or boot sector says how long
the card is, and a log's event "armed" how long its file is. Whether the cut costs anything shows at the copy's very
end: a log that is still going on there did not end there by itself.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME, SECTOR_SIZE
from ground.decode.moments import iso
from ground.decode.salvage.volume_size import claimed_size
from shared_protocol import events
from shared_protocol.frame import FINISHED, HEADER_SIZE, SECOND_COPY, decode_header, sector_mark

_TAIL = 3 * SECTOR_SIZE  # two whole sectors, one of which may have been left out by a power-up, and a torn one


@dataclass
class LastSector:
    """The last sector of a log, at the very end of a copy. `at` is its place there [bytes]."""

    at: int
    sector: int
    boot: int
    t_ms: int
    is_finished: bool


@dataclass
class Ending:
    """Where a copy ends.

    Attributes
    ----------
    name : str
    size : int
    is_image : bool
    whole : int
        Size of the card by its own word; 0 where it says none.
    said_by : str
        What said so.
    last : dict of int to LastSector
        By log id: what stands at the very end.
    """

    name: str
    size: int
    is_image: bool
    whole: int = 0
    said_by: str = ""
    last: dict = field(default_factory=dict)


@dataclass
class Short:
    """A copy that was cut; `log_id`, `last`: the log that goes on behind the cut, where one does."""

    ending: Ending
    missing_bytes: int
    said_by: str
    log_id: int | None = None
    last: LastSector | None = None


def of_file(name, path, size, is_image):
    """The Ending of a file; an unreadable one has none of interest."""
    ending = Ending(name, size, is_image)
    claimed = claimed_size(path) if is_image else None
    if claimed:
        ending.whole, ending.said_by = claimed
    try:
        with open(path, "rb") as handle:
            begin = max(size - _TAIL, 0)
            handle.seek(begin)
            ending.last = _last_sectors(handle.read(_TAIL), begin)
    except OSError:
        pass
    return ending


def _last_sectors(tail, begin):
    found, at = {}, tail.find(sector_mark())
    while at >= 0:
        header = decode_header(tail[at : at + HEADER_SIZE])
        if header is not None:
            log_id, boot, sector, _format, _kind, flags, _seq, t_ms = header
            if not flags & SECOND_COPY:  # which numbers its sectors by itself
                found[log_id] = LastSector(begin + at, sector, boot, t_ms, bool(flags & FINISHED))
        at = tail.find(sector_mark(), at + 1)
    return found


def cut_advice(path, size):
    """For an image without a log: that it is cut, and what to do; empty where it is not known to be."""
    claimed = claimed_size(path)
    if not claimed or claimed[0] <= size:
        return ""
    return f"the image ends {_amount(claimed[0] - size)} before its card does, by its own {claimed[1]}"


def shorts(source, records, decoded):
    """The copies of a source that were cut, as far as they say it; list of Short."""
    chosen = {log.log_id for log in decoded.logs if log.chosen}
    result = []
    for ending in source.endings:
        open_ended = {log_id: last for log_id, last in ending.last.items() if log_id in chosen and not last.is_finished}
        log_id, last = max(open_ended.items(), key=lambda pair: pair[1].at, default=(None, None))
        if ending.whole > ending.size:
            result.append(Short(ending, ending.whole - ending.size, ending.said_by, log_id, last))
            continue
        armed = _armed_sectors(records, log_id) if last else 0
        whole = last.at + (armed - last.sector) * SECTOR_SIZE if last else 0
        if armed and whole > ending.size:
            result.append(Short(ending, whole - ending.size, "log", log_id, last))
    return result


def _armed_sectors(records, log_id):
    """How many sectors the log's file was made with, by the board's word; 0 without it."""
    kind = KIND_OF_NAME["event"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    mine = np.array([pair[0] == log_id for pair in records.keys.pairs] + [False])[keys]
    armed = rows["b"][mine & (rows["code"] == events.LOG_ARMED)]
    return int(armed.max()) if len(armed) else 0


def told(short, decoded, pairs):
    """A sentence about a cut copy, without its full stop. `pairs`: (log id, boot) by key number."""
    ending, last = short.ending, short.last
    if short.said_by == "log":
        what = "the log's file on the card" if ending.is_image else "the file that the board made"
        said = f"{ending.name} ends {_amount(short.missing_bytes)} before {what}, by the log's own word"
    else:
        said = f"{ending.name} ends {_amount(short.missing_bytes)} before its card does, by its own {short.said_by}"
    if last is None:
        return f"{said}: it was cut short; the log ends before that, but copy the whole card again to be sure"
    until = last_utc(short, decoded, pairs)
    until = f", {until[:19].replace('T', ' ')} UTC" if until else ""
    landed = "the landing is in it" if decoded.results.get("landing_utc") else "there is no landing in it"
    again = "card" if ending.is_image else "file"
    return (
        f"{said}: it was cut short, and the log goes on up to the cut{until} ({landed}); what came behind is not here "
        f"and not counted as missing; copy the whole {again} again"
    )


def last_utc(short, decoded, pairs):
    """ISO time of the sector at the cut; None without a time of day or without such a sector."""
    if short.last is None or (short.log_id, short.last.boot) not in pairs:
        return None
    line = decoded.lines.get(pairs.index((short.log_id, short.last.boot)))
    return iso(int(line.at(short.last.t_ms))) if line else None


def as_json(short, decoded, pairs):
    """The same for `ends_early` in integrity.json."""
    return {
        "name": short.ending.name,
        "missing_bytes": short.missing_bytes,
        "by": short.said_by,
        "log_goes_on": short.last is not None,
        "last_utc": last_utc(short, decoded, pairs),
    }


def _amount(count):
    """Bytes as a person says them."""
    for unit, name in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= unit:
            return f"{count / unit:,.1f} {name}"
    return f"{count} bytes"

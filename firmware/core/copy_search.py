"""At power-up: where the second copy's ring goes on, whose log its newest sector is, and how large it may be.

Forgotten when the loop runs (spare.py).
"""

from firmware.core.log_arm import new_id
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.frame import FINISHED, HEADER_SIZE, SECOND_COPY, SECTOR_SIZE, decode_header
from shared_protocol.second_copy import FOLDER, PART_KIB, PART_SECTORS, part_name, part_number

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

    from firmware.core.journal import Journal
    from firmware.core.logbook import Logbook

_MARGIN_KIB = const(64)  # of the flash, never touched: settings, counters, a new firmware
_PARTS_MIN = const(2)  # what is emptied must not be all there is


class CopyEnd:
    """What the ring's newest sector says. Without one `log_id` is 0."""

    def __init__(self):
        self.log_id = 0
        self.boot = 0
        self.flags = 0
        self.number = -1
        self.part = -1
        self.sectors = 0  # in that part; PART_SECTORS if nothing should be added to it
        self.first = 0  # number of the first sector of that log


def begin(copy: "Any", flash, logbook: "Logbook", journal: "Journal", parts: int, now_ms: int) -> None:
    """Find the end of the ring and set `copy` on it; without a card, give the logbook the log to go on with."""
    end = CopyEnd()
    usable = 0
    error = None
    if parts:
        try:
            usable = _find(flash, parts, end)
        except Exception as failure:  # OSError as a rule; a flash that can't be read is no reason not to fly
            error = failure
    if not logbook.is_open:
        if end.log_id and not end.flags & FINISHED:
            logbook.go_on_alone(end.log_id, end.boot, end.flags)
        else:
            logbook.begin_alone(new_id((end.log_id,)))
        journal.event(now_ms, events.LOG_ALONE, events.FLASH, 0, 1 if logbook.resumed else 0)
    if copy is not None:
        copy.go_on(usable, end)
    if error is not None:
        journal.note(now_ms, events.FLASH, "second copy: " + str(error))
    if usable < parts:
        journal.event(now_ms, events.COPY_SMALL, events.FLASH, 0, usable * PART_KIB, parts * PART_KIB)
    if usable:
        journal.event(now_ms, events.COPY_BEGUN, events.FLASH, 0, end.number + 1, usable * PART_KIB)


def _find(flash, parts, end):
    """Fill `end`; how many parts the ring may have."""
    firsts = []
    here = 0
    for name in flash.names():
        part = part_number(name)
        if part >= parts:  # the ring was larger once
            flash.remove(FOLDER + "/" + name)
        elif part >= 0:
            here += 1
            header = _header(flash, part, 0)
            if header is not None:
                firsts.append((header[2], header[0], part))
    if firsts:
        _number, _log_id, end.part = max(firsts)
        _look_at_last(flash, end)
        end.first = min([number for number, log_id, _part in firsts if log_id == end.log_id] or [end.number])
    room = here + max(0, flash.free_kib() - _MARGIN_KIB) // PART_KIB
    return 0 if room < _PARTS_MIN else min(parts, room)


def _look_at_last(flash, end):
    size = flash.size(part_name(end.part))
    place = size // SECTOR_SIZE - 1
    end.sectors = PART_SECTORS if size % SECTOR_SIZE else place + 1
    while place >= 0:
        header = _header(flash, end.part, place)
        if header is not None:
            end.log_id, end.boot, end.number = header[0], header[1], header[2]
            end.flags = header[5]
            return
        end.sectors = PART_SECTORS  # nothing is added behind what can't be read
        place -= 1


def _header(flash, part, place):
    """The header of a sector of the second copy, or None."""
    file = flash.open(part_name(part), "rb")
    try:
        file.seek(place * SECTOR_SIZE)
        header = decode_header(file.read(HEADER_SIZE))
    finally:
        file.close()
    return header if header is not None and header[5] & SECOND_COPY else None

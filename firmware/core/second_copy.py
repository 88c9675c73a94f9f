"""The second copy of the log, in the board's own flash: which frames go into it, and where its sectors go.

shared_protocol/DESIGN.md says what lies there and why. Of each kind of reading one is taken in PERIOD_MS, and all that
is no reading; a sector of it fills in some 13 s. While the card is gone, the log task hands over whole sectors of
all readings as well, as long as has_room(): what is left of the ring beyond a thinned log of the rest of the flight.

A write to flash may hold up the processor, interrupts included, for as long as it takes to erase a block: some 50 ms,
400 ms at worst (a common 2 MB flash chip's data sheet, from memory). A UART's own 32 bytes are full after 33 ms at 9600
baud. So the log task calls write() only right after a burst of the receiver, when the line is quiet for half a second
and more; a receiver that never pauses is not waited for longer than PATIENCE_MS and loses a message or two.

Wear: littlefs gives each sector that is appended a freshly erased block and takes its blocks in turn. Figures are in
hardware_notes/board.md; they are far below what flash is rated for.
"""

from firmware.core import spare
from firmware.core.sector_ring import SectorRing
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.frame import FINISHED, SECOND_COPY, SECTOR_SIZE
from shared_protocol.second_copy import PART_SECTORS, PERIOD_MS

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

    from firmware.core.framer import Frame, Framer
    from firmware.core.journal import Journal

PATIENCE_MS = const(3000)

_SECTORS = const(2)  # one waits for a quiet moment, one is being filled
_AGE_MS = const(30000)  # no frame waits longer than that for its sector to fill
_RETRY_MS_MIN = const(10000)
_RETRY_MS_MAX = const(640000)
_ENOSPC = const(28)
# What has_room() keeps back:
_FLIGHT_S = const(14400)  # four hours from power-up
_REST_S_MIN = const(3600)
_SECTOR_S = const(12)  # a thinned sector lasts longer than that


class SecondCopy:
    """The framer shows it every frame by take(); the log task calls write(). `flash` is a FlashStorage."""

    def __init__(self, flash, framer: "Framer", journal: "Journal", contact: str):
        self._flash = flash
        self._framer = framer
        self._journal = journal
        self._contact = contact
        self.ring = SectorRing(_SECTORS)
        self._parts = 0
        self._part = -1  # being filled
        self._sectors = PART_SECTORS  # in it
        self._next = 0  # number of the next sector
        self._used = 0  # sectors of this flight in the ring
        self._log_id = 0  # of the part being filled
        self._file: "Any" = None
        self._asked_ms = -1  # since when a sector waits for a quiet moment; -1: none does
        self._retry_ms = 0
        self._retry_at_ms = 0
        self._has_stopped = False
        self.is_well = False  # there is a ring, and its latest write went well
        self.slowness = 1  # stretches the time for which a sector may stay open

    def go_on(self, parts: int, end) -> None:
        """Set out behind the end that copy_search.py found, in a ring of so many parts; with none, do nothing."""
        self._parts = parts
        self._part = end.part
        self._next = end.number + 1
        self.is_well = parts > 0
        if end.log_id and end.log_id == self._framer.log_id:
            self._used = self._next - end.first
            if end.sectors < PART_SECTORS:
                self._sectors = end.sectors
                self._log_id = end.log_id

    def take(self, frame: "Frame", seq: int, t_ms: int, now_ms: int) -> None:
        """See a signed frame, and keep it if it belongs into the copy."""
        window = frame.window
        if window is None:
            self.ring.add(frame, seq, now_ms)
            return
        t_window = t_ms // PERIOD_MS
        if window != t_window and self.ring.add(frame, seq, now_ms):
            frame.window = t_window

    def has_room(self, now_ms: int, sectors: int) -> bool:
        """True if the ring has room for a thinned log of the rest of the flight, and so many sectors more."""
        rest_s = max(_FLIGHT_S - now_ms // 1000, _REST_S_MIN)
        return self._parts * PART_SECTORS - self._used > rest_s // _SECTOR_S + sectors

    def step(self, now_ms: int, flags: int, is_quiet: bool, whole: bool) -> None:
        """Write at most one sector: a thinned one that is due, else, if `whole`, the framer's oldest."""
        is_due = self.ring.waits(now_ms, _AGE_MS * self.slowness)
        if not (is_due or whole) or now_ms < self._retry_at_ms or not self._parts:
            self._asked_ms = -1
            return
        if self._asked_ms < 0:
            self._asked_ms = now_ms
        if is_quiet or now_ms - self._asked_ms >= PATIENCE_MS:
            self._asked_ms = -1
            self._write(now_ms, flags, is_due)

    def _write(self, now_ms, flags, is_thinned):
        if not self._has_part(now_ms, flags):
            return
        framer = self._framer
        flags |= SECOND_COPY
        number = self._next
        if is_thinned:
            sector = self.ring.seal(framer.log_id, framer.boot, number, flags, framer.seq, now_ms)
        else:
            sector = framer.seal(number, flags, now_ms)
        try:
            file = self._file
            if file.write(sector) != SECTOR_SIZE:
                raise OSError(_ENOSPC)
            file.flush()
        except Exception as error:  # whatever a file system comes up with
            self._failed(now_ms, error)
            return
        self._took(1)
        if is_thinned:
            self.ring.release(now_ms)
        else:
            framer.release(now_ms)

    def _took(self, sectors):
        self._sectors += sectors
        self._next += sectors
        self._used += sectors
        self._retry_ms = 0
        self.is_well = True

    def _has_part(self, now_ms, flags):
        """True if a part of this log with room in it is open; begins the next one if need be."""
        framer = self._framer
        is_new_log = framer.log_id != self._log_id
        if self._sectors < PART_SECTORS and not is_new_log:
            if self._file is not None:
                return True
            return self._open_again(now_ms)
        if flags & FINISHED and self._used > (self._parts - 2) * PART_SECTORS:
            # the flight is over, and what follows would overwrite its beginning
            if not self._has_stopped:
                self._has_stopped = True
                self._journal.event(now_ms, events.COPY_STOPPED, events.FLASH, 0, self._used)
            return False
        part = self._part + 1 if self._part + 1 < self._parts else 0
        self._part = part
        self._sectors = PART_SECTORS  # unless all goes well: then the next part is tried
        try:
            if is_new_log:
                spare.load(spare.LOG_TEXT)
            from firmware.core import copy_parts

            self._close()
            self._file, sectors = copy_parts.begin(
                self._flash, part, self._contact, is_new_log, framer.log_id, framer.boot, self._next, framer.seq,
                now_ms, flags | SECOND_COPY,
            )  # fmt: skip
        except Exception as error:
            if isinstance(error, OSError) and error.errno == _ENOSPC and part > 1:
                self._parts = part  # somebody else took the room: the ring ends here
            self._failed(now_ms, error)
            return False
        finally:
            spare.forget(spare.LOG_OPENING)
        self._sectors = 0
        self._log_id = framer.log_id
        self._took(sectors)
        return True

    def _open_again(self, now_ms):
        """After a power-up: go on in the part that was being filled."""
        try:
            from shared_protocol.second_copy import part_name

            self._file = self._flash.open(part_name(self._part), "ab")
            return True
        except Exception as error:
            self._failed(now_ms, error)
            return False

    def _failed(self, now_ms, error):
        """Flash refused: the next part is tried after a while, and after longer each time."""
        self.is_well = False
        self._retry_ms = min(max(_RETRY_MS_MIN, 2 * self._retry_ms), _RETRY_MS_MAX)
        self._retry_at_ms = now_ms + self._retry_ms
        self._sectors = PART_SECTORS
        number = error.errno or 0 if isinstance(error, OSError) else 0
        self._journal.event(now_ms, events.COPY_ERROR, events.FLASH, 0, number, self._next)
        self._close()

    def _close(self):
        file = self._file
        self._file = None
        if file is not None:
            try:
                file.close()
            except OSError:
                pass  # what was flushed is safe

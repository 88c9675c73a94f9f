"""The log on the card: which file, which sector next, and what happens when the card says no.

At power-up the board can't tell the ground from the air, so it looks at the newest log on the card, TDnnnnnn.LOG with
the highest number, and goes on in it unless there is a reason not to. A new log is begun when
- there is none on the card;
- the newest is no log of this format (hurt beyond its first eight sectors, another version, or cut off while armed);
- the newest is finished: bit 0 of the flags in its last sector, set once the box has lain still for ten minutes;
- the newest has less than about ten minutes of room left.
So each flight gets a file of its own, and a reset in flight goes on in the file of its flight. A log that runs full in
flight is followed by the next one at once: a second or two without readings is better than none from there on.

Resuming reads a hundred sectors or so, writes nothing, and leaves out one sector behind the last intact one, because
that may be what the power cut tore. The boot number is raised above the log's last one if the flash has lost its count.

A commit is one whole, aligned, write-once sector through a file that is never flushed or closed: exactly one block
write. A sector that the card refuses goes to the next place, with a new number in its header; the old place stays as it
is. Places are tried up to HOLE_MAX behind the last good one, as the search for the end counts on. After that the card
is lost: it is mounted and searched anew every few seconds, and if it answers and still refuses, a new log is begun.

Without a card at power-up the second copy says which log to go on with, or a new one is begun (core/copy_search.py).
Once a flight has a log, a card that is put in has to fit it: if its newest log is another one, a new file is armed,
with this log's id if that was made up in this boot (so that no other card can have it), else with an id of its own; the
record `continues` then names this log.
"""

from firmware.core import spare
from firmware.status import NOT_READY, OK, REFUSED
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.frame import FINISHED, PHASE_MASK, PHASE_SHIFT, SECTOR_SIZE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

    from firmware.core.framer import Framer
    from firmware.core.journal import Journal
    from firmware.core.schedule import Clock

_ROOM_MIN = const(660)  # sectors; the usual rates need 1.05 a second
_ROOM_GOOD = const(11400)  # three hours, a flight
_MIB_SECTORS = const(2048)
_RETRY_MS = const(3000)  # the framer holds more than that
_RETRY_FULL_MS = const(60000)  # each try makes a file and removes it again
_RETRY_TIMES = const(8)  # the time that the try before took: whoever opens a log measures nothing meanwhile
_ARMING_MS = const(10000)  # after so long a new log is not made any longer
_ENOSPC = const(28)
_EIO = const(5)
_BUSY_MS = const(8)  # most writes are over by then; a longer one is looked at again in the next turn
_SLOW_MS = const(250)  # a card may take no longer (SD Physical Layer Simplified Specification, 4.6.2.2)
_SLOW_PAUSE_MS = const(10000)  # between two events about it
_FAILURES_MAX = const(6)  # in a row; with the sector that a resume leaves out, HOLE_MAX of log_search.py
_LOSSES_MAX = const(3)  # in a row, without one good sector between them: this part of the card is dead
_STALE_FILES_MAX = const(8)


class Logbook:
    """Keeps the log. `storage` is a CardStorage, all of whose methods may fail.

    `boot` is the number of this power-up; `raise_boot(number)` makes the flash's count no lower and says what it is.
    `feed()` feeds the watchdog.
    """

    def __init__(
        self, storage, framer: "Framer", journal: "Journal", clock: "Clock", boot: int, raise_boot, settings, feed
    ):
        self._storage = storage
        self._framer = framer
        self._journal = journal
        self._clock = clock
        self.boot = boot
        self._raise_boot = raise_boot
        self._contact = settings["contact"]
        self._size_mib = settings["log_size_mib"]
        self._feed = feed
        self._file: "Any" = None
        self._stale_files: list = []
        self._total = 0
        self._next = 0  # sector to be written next
        self._failures = 0  # in a row
        self._error = 0  # what the latest one said
        self._losses = 0  # in a row
        self._lost_at_ms = 0
        self._retry_at_ms = 0
        self._opening_ms = 0  # when the card was tried last
        self._is_written = False  # the oldest waiting sector has been handed to the card, and how it ended is not known
        self._sector: "Any" = None  # that one
        self._begun_ms = 0
        self._slow_said_ms = -_SLOW_PAUSE_MS
        self._previous_id = 0  # of a log on the card that is not gone on with
        self._is_made_up = False  # the log's id, without a card that has a file of it
        self._was_open = False  # in this boot
        self._name = ""  # of the file
        self.is_open = False
        self.was_lost = False
        self.is_short = False  # of room: the card is full, or soon will be
        self._room = -1  # sectors, when a log was begun last
        self.number = 0
        self.log_id = 0
        self.continues = 0  # id of the log before this one, if that was begun by the same flight
        self.resumed = False
        self.first_sector = 0  # where this boot began in this log
        self.resume_reads = 0
        self.finished = False
        self.phase = events.PHASE_GROUND  # kept in every header; after a resume, what the last one said
        self.verified = 0  # first sector of this boot read back: 0 not tried, 1 good, -1 bad

    def open(self, now_ms: int) -> bool:
        """Mount the card and resume or arm a log; False, and try again later, if the card says no."""
        self._opening_ms = self._clock.now()
        try:
            self._open(now_ms)
        except Exception as error:  # OSError as a rule, and whatever a card's driver comes up with
            self.is_open = False
            failed_ms = self._clock.now()
            pause_ms = _RETRY_FULL_MS if _error_number(error) == _ENOSPC else _RETRY_MS
            self._retry_at_ms = failed_ms + max(pause_ms, _RETRY_TIMES * (failed_ms - self._opening_ms))
            if not self.was_lost:
                self.was_lost = True
                self._lost_at_ms = now_ms
                self._journal.event(now_ms, events.CARD_LOST, events.CARD, 0, 1)
                self._journal.note(now_ms, events.CARD, "card: " + str(error))
            if pause_ms == _RETRY_FULL_MS:
                self._look_at_room(now_ms, 0, 0)
            return False
        finally:
            spare.forget(spare.LOG_OPENING)
        if self.was_lost:
            self.was_lost = False
            away_s = (now_ms - self._lost_at_ms) // 1000
            self._journal.event(now_ms, events.CARD_BACK, events.CARD, 0, away_s)
        return self.is_open

    def go_on_alone(self, log_id: int, boot: int, flags: int) -> None:
        """Without a card: go on in the log of the second copy, whose newest sector says all this."""
        self._next_boot(boot)
        self.resumed = True
        self.phase = flags >> PHASE_SHIFT & PHASE_MASK
        self.log_id = log_id
        self._framer.begin(log_id, self.boot)

    def begin_alone(self, log_id: int) -> None:
        """Without a card and without a log in the second copy: begin one that has no file yet."""
        self._is_made_up = True
        self.log_id = log_id
        self._framer.begin(log_id, self.boot)

    def flags(self) -> int:
        """What a sector's header has to say at present."""
        return self.phase << PHASE_SHIFT | (FINISHED if self.finished else 0)

    def away_ms(self, now_ms: int) -> int:
        """How long the card has been away; 0 while it is there."""
        return 0 if self.is_open else now_ms - self._lost_at_ms

    def ready(self, now_ms: int) -> bool:
        """True if sectors can be committed. A lost card is tried again here, when its time has come."""
        if self.is_open:
            return True
        return now_ms >= self._retry_at_ms and self.open(now_ms)

    def commit(self, now_ms: int) -> bool:
        """Write the oldest waiting sector, in the next place if the card refuses: two tries at most. True if safe.

        A card that is busy for long is not waited for: then nothing is safe yet, and the next call goes on from there.
        """
        for _ in range(2 if self.is_open else 0):  # a log that just ran full may have been the last
            if not self._is_written:
                self._sector = self._framer.seal(self._next, self.flags(), now_ms)
                self._begun_ms = self._clock.now()
                self._is_written = self._write(self._sector)
            status = self._settled() if self._is_written else REFUSED
            if status == NOT_READY:
                return False
            self._is_written = False
            if status == OK:
                self._safe(now_ms)
                return True
            self._refused(now_ms)
            if not self.is_open:
                break
        return False

    def has_time(self, now_ms: int) -> bool:
        """False if the turn that began at `now_ms` has been long already: measuring comes before another sector."""
        return self._clock.now() - now_ms < _SLOW_MS

    def _may_grow(self):
        return self._clock.now() - self._opening_ms < _ARMING_MS

    def _settled(self):
        """How the write in hand ended; NOT_READY if the card takes longer than most writes do."""
        while True:
            status = self._storage.settle()
            if status == NOT_READY:
                if self._clock.now() - self._begun_ms < _BUSY_MS:
                    continue
            elif status != OK:
                self._error = _EIO
            return status

    def _safe(self, now_ms):
        """The sector in hand is on the card."""
        took_ms = self._clock.now() - self._begun_ms
        journal = self._journal
        if took_ms > journal.card_write_ms_max:
            journal.card_write_ms_max = took_ms
        if took_ms >= _SLOW_MS and now_ms - self._slow_said_ms >= _SLOW_PAUSE_MS:
            self._slow_said_ms = now_ms
            journal.event(now_ms, events.CARD_SLOW, events.CARD, 0, took_ms, self._next)
        journal.sectors_written += 1
        self._failures = 0
        self._losses = 0
        if self.verified == 0:
            self._verify(self._sector)
        self._next += 1
        self._framer.release(now_ms)
        if self._next >= self._total:
            self._turn_over(now_ms)

    def finish(self, now_ms: int, finished: bool) -> None:
        """Mark, in every sector from now on, that the next power-up starts a new log; or take that back."""
        if finished and not self.finished:
            self._journal.event(now_ms, events.LOG_FINISHED, events.CARD, 0, self.number)
        self.finished = finished

    def _open(self, now_ms):
        spare.load(spare.LOG_TEXT)
        from firmware.core import log_arm

        self._put_aside()
        self._storage.mount()
        newest = 0
        for name in self._storage.names():
            newest = max(newest, log_arm.log_number(name))
        if newest and self._losses < _LOSSES_MAX and self._resume(now_ms, newest, log_arm.log_name(newest)):
            return
        self._arm(now_ms, newest + 1, log_arm)

    def _resume(self, now_ms, number, name):
        """Go on in an existing log; False if a new one has to be begun."""
        from firmware.core.log_search import LogSearch

        search = LogSearch(self._storage, name, self._feed)
        end = search.run()
        self.resume_reads = end.reads
        following = end.last + 2  # the one between may be torn
        is_ours = end.usable and end.log_id == self.log_id  # the same card coming back, not a power-up
        is_others = self.log_id != 0 and not is_ours
        is_finished = bool(end.flags & FINISHED) and not is_ours
        if not end.usable or is_others or is_finished or search.total - following < _ROOM_MIN:
            self._previous_id = end.log_id
            return False
        self._file = self._storage.open(name, "r+b")
        self._file.seek(following * SECTOR_SIZE)
        if not self._was_open:
            self._next_boot(end.boot)
            self.first_sector = following
            self.resumed = True
        if not is_ours:
            self.phase = end.flags >> PHASE_SHIFT & PHASE_MASK
        self._begin(now_ms, number, name, end.log_id, search.total, following)
        self._journal.event(now_ms, events.LOG_RESUMED, events.CARD, 0, number, following)
        return True

    def _next_boot(self, boot):
        """No two boots of a log may share a number, and the flash may lose its count."""
        if self.boot <= boot:
            self.boot = self._raise_boot((boot + 1) & 0xFFFFFFFF)

    def _arm(self, now_ms, number, log_arm):
        """Make a new log, with the help of the module log_arm."""
        name = log_arm.log_name(number)
        log_id = self.log_id
        if not self._is_made_up:
            self.continues = log_id
            log_id = log_arm.new_id((log_id, self._previous_id))
        text = log_arm.text_sectors(self._contact, log_id, self.boot, self._framer.seq, now_ms)
        total = log_arm.create(self._storage, number, self._size_mib, text, self._feed, self._may_grow)
        following = len(text)
        self._file = self._storage.open(name, "r+b")
        self._file.seek(following * SECTOR_SIZE)
        self.first_sector = following
        self.resumed = False
        self.finished = False
        self._is_made_up = False
        self._losses = 0
        self._begin(now_ms, number, name, log_id, total, following)
        self._journal.event(now_ms, events.LOG_ARMED, events.CARD, 0, number, total)

    def _begin(self, now_ms, number, name, log_id, total, following):
        self.number = number
        self._name = name
        self.log_id = log_id
        self._total = total
        self._next = following
        self._failures = 0
        self.is_open = True
        self._was_open = True
        self._journal.news += 1
        self._framer.begin(log_id, self.boot)
        if self._framer.is_full():
            self.commit(now_ms)  # makes room for the events that follow
        self._look_at_room(now_ms, total, total - following)

    def _look_at_room(self, now_ms, total, room):
        """Say once if the card, and not the settings, keeps a log of `total` sectors short: `room` are left."""
        asked_mib = self._size_mib
        self.is_short = total < asked_mib * _MIB_SECTORS and room < min(_ROOM_GOOD, asked_mib * _MIB_SECTORS // 2)
        if self.is_short and room != self._room:
            self._journal.event(now_ms, events.CARD_FULL, events.CARD, 0, room)
        self._room = room

    def _write(self, sector):
        try:
            return self._storage.write(self._file, sector)
        except Exception as error:  # whatever a card's driver comes up with
            self._error = _error_number(error)
            return False

    def _refused(self, now_ms):
        """The card did not take a sector: on to the next place, or give it up for a while."""
        journal = self._journal
        journal.card_errors += 1
        self._failures += 1
        journal.event(now_ms, events.CARD_ERROR, events.CARD, 0, self._error, self._next)
        self._next += 1
        if self._failures < _FAILURES_MAX and self._next < self._total and self._go_to(self._next):
            return
        self._losses += 1
        self._lost_at_ms = now_ms
        self._retry_at_ms = now_ms + _RETRY_MS
        self.was_lost = True
        self._put_aside()
        journal.event(now_ms, events.CARD_LOST, events.CARD, 0, self._failures)

    def _go_to(self, sector):
        """Find a place from the chain's start, for after an error the file's own position can't be trusted."""
        try:
            self._file.seek(0)
            self._file.seek(sector * SECTOR_SIZE)
            return True
        except OSError:
            pass
        try:  # FAT keeps an error with the open file, so a fresh one is needed
            self._put_aside()
            self._file = self._storage.open(self._name, "r+b")
            self._file.seek(sector * SECTOR_SIZE)
            self.is_open = True
            return True
        except OSError:
            return False

    def _put_aside(self):
        """Let go of the file without closing it: that writes to the directory, and so does the garbage collector."""
        self.is_open = False
        self._is_written = False
        if self._file is not None:
            if len(self._stale_files) >= _STALE_FILES_MAX:
                self._stale_files.pop(0)  # a directory write after many errors, better than no memory
            self._stale_files.append(self._file)
            self._file = None

    def _verify(self, sector):
        """Read the sector just written and compare; the card of a box that is about to fly should pass this."""
        self.verified = -1
        try:
            self._file.seek(self._next * SECTOR_SIZE)
            found = self._file.read(SECTOR_SIZE)  # once in a power-up, so it may be a new object
        except OSError:
            self._go_to(self._next + 1)
            return
        if found == sector:
            self.verified = 1

    def _turn_over(self, now_ms):
        """The last sector is written: begin the next log."""
        self._journal.event(now_ms, events.LOG_FULL, events.CARD, 0, self.number)
        self._put_aside()
        self._retry_at_ms = now_ms
        self.open(now_ms)


def _error_number(error):
    """The system's number of an error, 0 for one without."""
    return error.errno or 0 if isinstance(error, OSError) else 0

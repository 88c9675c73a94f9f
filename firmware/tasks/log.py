"""Keeping the log: sectors to the card as they fill, at least once a second; the finished mark after a long rest.

While the card is away the framer's ring holds nearly six seconds. A card that is back by then has lost nothing; after
that, and at once when the card has been away for longer, all of it goes to the second copy, as long as that has room.
"""

from firmware.core.schedule import next_slot
from shared_protocol import events
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.logbook import Logbook
    from firmware.drivers.gnss import GnssReceiver

_LOOK_MS = const(100)
_AGE_MS = const(900)  # with the next look 100 ms later, no frame waits longer than a second
_COMMITS_MAX = const(4)  # in one turn, to catch up after the card stalled
_AWAY_MS = const(10000)  # a card that is away for so long is not waited for
_ROOM_AGAIN = const(60)  # sectors: a minute of all readings, or it isn't worth going back to them
_REST_MS = const(600000)  # landed for so long: this log is finished


class LogTask:
    """Commits sectors. `slowness` stretches the time a sector may stay open. `copy` may be None."""

    def __init__(self, logbook: "Logbook", journal: "Journal", copy, receiver: "GnssReceiver"):
        self._logbook = logbook
        self._framer = journal.framer
        self._journal = journal
        self._copy = copy
        self._receiver = receiver
        self._dropped = 0  # of the framer, when that was last said
        self._is_whole = False  # the copy gets all readings
        self._landed_ms = -1
        self._slot_ms = 0
        self.slowness = 1

    def step(self, now_ms: int) -> int:
        """Commit what waits; when to come again."""
        logbook = self._logbook
        framer = self._framer
        self._slot_ms = next_slot(self._slot_ms, _LOOK_MS, now_ms)
        age_ms = _AGE_MS * self.slowness
        if logbook.ready(now_ms):
            for _ in range(_COMMITS_MAX):
                if not framer.waits(now_ms, age_ms) or not logbook.commit(now_ms) or not logbook.has_time(now_ms):
                    break
            if framer.dropped != self._dropped:
                self._journal.event(now_ms, events.RECORDS_LOST, events.CARD, 0, framer.dropped - self._dropped)
                self._dropped = framer.dropped
        if self._copy is not None:
            self._keep_copy(now_ms, age_ms)
        return self._slot_ms

    def _keep_copy(self, now_ms, age_ms):
        """One sector to flash, if one is due."""
        copy = self._copy
        framer = self._framer
        whole = False
        away_ms = self._logbook.away_ms(now_ms)
        if not away_ms:
            self._is_whole = False
        elif framer.waits(now_ms, age_ms) and (away_ms >= _AWAY_MS or framer.is_full()):
            whole = copy.has_room(now_ms, 0 if self._is_whole else _ROOM_AGAIN)
            if whole != self._is_whole:
                self._is_whole = whole
                code = events.COPY_WHOLE if whole else events.COPY_THINNED
                self._journal.event(now_ms, code, events.FLASH, 0, away_ms // 1000)
        copy.step(now_ms, self._logbook.flags(), self._receiver.is_quiet(now_ms), whole)

    def phase_is(self, phase: int, now_ms: int) -> None:
        """Told once a second: every header carries it, and a long rest after landing finishes the log."""
        logbook = self._logbook
        logbook.phase = phase
        if self._copy is not None:
            self._copy.slowness = self.slowness
        if phase != events.PHASE_LANDED:
            self._landed_ms = -1
            logbook.finish(now_ms, False)
        elif self._landed_ms < 0:
            self._landed_ms = now_ms
        elif now_ms - self._landed_ms >= _REST_MS:
            logbook.finish(now_ms, True)

"""Keeping the log: sectors to the card as they fill, at least once a second; the finished mark after a long rest."""

from firmware.core.schedule import next_slot
from shared_protocol import events
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.framer import Framer
    from firmware.core.logbook import Logbook

_LOOK_MS = const(100)
_AGE_MS = const(900)  # with the next look 100 ms later, no frame waits longer than a second
_COMMITS_MAX = const(4)  # in one turn, to catch up after the card stalled
_REST_MS = const(600000)  # landed for so long: this log is finished


class LogTask:
    """Commits sectors. `slowness` stretches the time a sector may stay open."""

    def __init__(self, logbook: "Logbook", framer: "Framer"):
        self._logbook = logbook
        self._framer = framer
        self._landed_ms = -1
        self._slot_ms = 0
        self.slowness = 1

    def step(self, now_ms: int) -> int:
        """Commit what waits; when to come again."""
        logbook = self._logbook
        self._slot_ms = next_slot(self._slot_ms, _LOOK_MS, now_ms)
        if not logbook.ready(now_ms):
            return self._slot_ms
        age_ms = _AGE_MS * self.slowness
        for _ in range(_COMMITS_MAX):
            if not self._framer.waits(now_ms, age_ms) or not logbook.commit(now_ms):
                break
        return self._slot_ms

    def phase_is(self, phase: int, now_ms: int) -> None:
        """Told once a second: every header carries it, and a long rest after landing finishes the log."""
        logbook = self._logbook
        logbook.phase = phase
        if phase != events.PHASE_LANDED:
            self._landed_ms = -1
            logbook.finish(now_ms, False)
        elif self._landed_ms < 0:
            self._landed_ms = now_ms
        elif now_ms - self._landed_ms >= _REST_MS:
            logbook.finish(now_ms, True)

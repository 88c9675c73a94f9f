"""Is a chip there, and is it well? Each change is logged once, and none of it holds up anybody else.

Lost: three failed readings in a row. A lost chip is tried again at once, then after 2, 4 and 8 s, and every 8 s from
then on: a try costs a few transfers, on a bus that is held down one time-out at most (core/i2c_guard.py). Restarted:
it says by its power-on values that its supply dipped; it is set up again on the spot. Disturbed: more than one
reading in nine fails, though not three in a row; until that is over, good readings are marked too, for a bit that
flips in a value looks like a value. Frozen is decided by core/freeze.py and logged here.
"""

from firmware.status import AFTER_RESET, CRC_FAULT, OK, REFUSED, WRONG_CHIP
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FLAG_AFTER_RESET, FLAG_BUS_ERROR, FLAG_FROZEN

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal

_FAILURES_MAX = const(3)
_RETRY_MS_MIN = const(2000)
_RETRY_MS_MAX = const(8000)
_TROUBLE_A_FAILURE = const(8)  # a good reading takes one away, so the balance is at one failure in nine
_TROUBLE_DISTURBED = const(24)  # three failures close together
_TROUBLE_MAX = const(40)


class Supervisor:
    """One chip's presence. `begin` (re)starts the chip and returns a status; it is only called when the chip is away.

    `flags` are what the next reading has to carry: set by trouble, taken by good(). A chip that answers again but gives
    no good reading is not back: that would fill the log with its comings and goings.
    """

    def __init__(self, journal: "Journal", begin, source: int, unit: int, address: int):
        self._journal = journal
        self._begin = begin
        self.source = source
        self.unit = unit
        self.address = address
        self.present = False
        self.flags = 0
        self._good_count = 0
        self._failures = 0  # in a row
        self._returning = False  # started again, and no good reading yet
        self._refused = OK  # what was last said against the chip that answers there
        self._away_since_ms = 0
        self._retry_ms = _RETRY_MS_MIN
        self._retry_at_ms = 0
        self._buses_freed = 0
        self._is_said_lost = False
        self._trouble = 0
        self._disturbed_since_ms = -1  # -1: it is not
        self._wrong_answers = 0  # since then
        self._frozen_since_ms = -1

    def power_up(self, now_ms: int) -> bool:
        """First try; says present, missing or refused."""
        status = self._begin()
        if status == OK:
            self._arrived()
            self._journal.event(now_ms, events.CHIP_PRESENT, self.source, self.unit, self.address)
        else:
            self._away_since_ms = now_ms
            self._retry_at_ms = now_ms + _RETRY_MS_MIN
            if not self._is_refused(now_ms, status):
                self._journal.event(now_ms, events.CHIP_MISSING, self.source, self.unit, self.address)
        return self.present

    def ready(self, now_ms: int) -> bool:
        """True if the chip may be read now. An absent one is tried again here, when its time has come."""
        if self.present:
            return True
        if self._buses_freed != self._journal.buses_freed:  # that may have been all that was wrong
            self._buses_freed = self._journal.buses_freed
            self._retry_ms = _RETRY_MS_MIN
        elif now_ms < self._retry_at_ms:
            return False
        self._retry_at_ms = now_ms + self._retry_ms
        self._retry_ms = min(self._retry_ms * 2, _RETRY_MS_MAX)
        status = self._begin()
        if status != OK:
            self._is_refused(now_ms, status)
            return False
        self._arrived()
        self._returning = True
        return True

    def good(self, now_ms: int) -> int:
        """A reading came; the flags that go with it."""
        if self._returning:
            self._returning = False
            self._retry_ms = _RETRY_MS_MIN
            away_s = (now_ms - self._away_since_ms) // 1000
            self._journal.event(now_ms, events.CHIP_BACK, self.source, self.unit, away_s)
            self._refused = OK
            self._is_said_lost = False
        self._good_count += 1
        self._failures = 0
        flags = self.flags
        self.flags = 0
        if self._trouble:
            self._trouble -= 1
            if self._disturbed_since_ms >= 0:
                flags |= FLAG_BUS_ERROR
                if self._trouble == 0:
                    self._calm_down(now_ms)
        return flags

    def bad(self, now_ms: int, status: int) -> None:
        """A reading failed."""
        self._journal.bus_errors += 1
        self.flags |= FLAG_BUS_ERROR
        self._failures += 1
        self._wrong_answers += 1
        self._trouble = min(self._trouble + _TROUBLE_A_FAILURE, _TROUBLE_MAX)
        if self._failures >= _FAILURES_MAX:
            self.lost(now_ms, status)
        elif self._trouble > _TROUBLE_DISTURBED and self._disturbed_since_ms < 0 and not self._returning:
            self._disturbed_since_ms = now_ms
            self._wrong_answers = 1
            self._journal.event(now_ms, events.CHIP_DISTURBED, self.source, self.unit, status, self._good_count)

    def lost(self, now_ms: int, status: int) -> None:
        """Take the chip for gone at once; ready() then tries to start it again, without waiting the first time."""
        self.present = False
        if status != AFTER_RESET:
            self.flags |= FLAG_BUS_ERROR
        was_returning = self._returning
        if was_returning:
            self._returning = False
            if self._is_said_lost:
                return
        else:
            self._away_since_ms = now_ms
            self._retry_at_ms = now_ms
        code = events.CHIP_RESTARTED if status == AFTER_RESET and not was_returning else events.CHIP_LOST
        self._is_said_lost = code == events.CHIP_LOST
        self._journal.event(now_ms, code, self.source, self.unit, status, self._good_count)

    def restarted(self, now_ms: int) -> None:
        """The chip gave its power-on value and needs nothing to go on."""
        self._journal.event(now_ms, events.CHIP_RESTARTED, self.source, self.unit, AFTER_RESET, self._good_count)

    def frozen(self, now_ms: int, repeats: int) -> int:
        """What core/freeze.py found: how often the word has come, 0 if it may be alive; the flag for the reading."""
        if not repeats:
            if self._frozen_since_ms >= 0:
                frozen_s = (now_ms - self._frozen_since_ms) // 1000
                self._frozen_since_ms = -1
                self._journal.event(now_ms, events.CHIP_MOVES, self.source, self.unit, frozen_s)
            return 0
        if self._frozen_since_ms < 0:
            self._frozen_since_ms = now_ms
            self._journal.event(now_ms, events.CHIP_FROZEN, self.source, self.unit, repeats)
        return FLAG_FROZEN

    def _is_refused(self, now_ms, status):
        """Something answers, and it is not our chip or not in order: say so once, as long as it stays the same."""
        if status != WRONG_CHIP and status != CRC_FAULT and status != REFUSED:
            return False
        if status != self._refused:
            self._refused = status
            self._journal.event(now_ms, events.CHIP_REFUSED, self.source, self.unit, self.address, status)
        return True

    def _calm_down(self, now_ms):
        disturbed_s = (now_ms - self._disturbed_since_ms) // 1000
        self._disturbed_since_ms = -1
        self._journal.event(
            now_ms, events.CHIP_STEADY, self.source, self.unit, disturbed_s, self._wrong_answers
        )

    def _arrived(self):
        self.present = True
        self._journal.news += 1
        self.flags |= FLAG_AFTER_RESET
        self._failures = 0

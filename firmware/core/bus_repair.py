"""Frees a bus that is held down, between two turns of the loop: at once, then less and less often; logs each change."""

from shared_protocol import events
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal

_RETRY_MS_MIN = const(250)
_RETRY_MS_MAX = const(2000)


class BusRepair:
    """Looks after one bus: `is_stuck` is set by whoever finds it so, clear() says whether it helped."""

    def __init__(self, journal: "Journal", bus, unit: int):
        self._journal = journal
        self._bus = bus
        self._unit = unit
        self._since_ms = -1  # -1: the bus is free
        self._retry_ms = _RETRY_MS_MIN
        self._retry_at_ms = 0
        self._tries = 0

    def step(self, now_ms: int) -> None:
        """Called after every turn; costs next to nothing while the bus is free, a millisecond for a try."""
        if not self._bus.is_stuck:
            if self._since_ms >= 0:
                self._freed(now_ms)
            return
        if self._since_ms < 0:
            self._since_ms = self._retry_at_ms = now_ms
            self._journal.event(now_ms, events.BUS_STUCK, events.BUS, self._unit, self._unit)
        if now_ms < self._retry_at_ms:
            return
        self._retry_at_ms = now_ms + self._retry_ms
        self._retry_ms = min(self._retry_ms * 2, _RETRY_MS_MAX)
        self._tries += 1
        if self._bus.clear():
            self._freed(now_ms)

    def _freed(self, now_ms):
        self._journal.event(now_ms, events.BUS_FREE, events.BUS, self._unit, now_ms - self._since_ms, self._tries)
        self._journal.buses_freed += 1
        self._since_ms = -1
        self._retry_ms = _RETRY_MS_MIN
        self._tries = 0

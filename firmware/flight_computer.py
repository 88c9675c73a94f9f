"""All parts of the flight computer in one place, as start_up.py puts them together."""

from shared_protocol import events
from shared_protocol.compat import const

_ERRORS_IN_WORDS = const(10)


def raise_boot(number: int) -> int:
    """Make the count of power-ups in flash no lower than `number`; what it is then."""
    from firmware.core.boots import Boots

    return Boots().at_least(number)


class FlightComputer:
    """The parts by name. The order in which tasks are added is the order of their turns."""

    def __init__(self, clock, framer, journal, logbook):
        self.clock = clock
        self.framer = framer
        self.journal = journal
        self.logbook = logbook
        self.copy = None
        self.schedule = None
        self.barometer = None
        self.power = None
        self.thermometers = None
        self.gnss = None
        self.health = None
        self.identity = None
        self.flight_phase = None
        self.signals = None
        self.log = None
        self.selftest = None
        self.phase = None
        self.task_errors = 0
        self._sources = []

    def add(self, task, source: int, first_ms: int) -> None:
        """Give a task its place in the loop; `source` is what an event about its failure names."""
        self._sources.append(source)
        self.schedule.add(task.step, first_ms)

    def on_error(self, now_ms: int, number: int, error: Exception) -> None:
        """A task failed: say so, in words too while that is news."""
        self.task_errors += 1
        source = self._sources[number]
        self.journal.event(now_ms, events.TASK_ERROR, source, number, self.task_errors)
        if self.task_errors <= _ERRORS_IN_WORDS:
            self.journal.note(now_ms, source, type(error).__name__ + ": " + str(error))

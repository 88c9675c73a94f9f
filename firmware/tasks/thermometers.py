"""Temperatures: all thermometers convert together, and are read one a wake-up.

Reading one takes 13 ms of bit-banging on a board, so they take turns 100 ms apart; the last turn begins the next
conversion. The record carries the time at which its conversion began.

Numbers belong to ROM codes: those in the settings, or else the order of the sorted codes found first. They are kept
until the power goes off, so a thermometer that drops out never changes the number of another one.
"""

from firmware.core.freeze import THERMOMETER, FreezeWatch
from firmware.core.schedule import next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import ABSENT, AFTER_RESET, NOT_READY, OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FLAG_AFTER_RESET

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.schedule import Clock

_TURN_MS = const(100)
_CONVERSION_MS = const(751)  # the longest, and one because the tick may end right after the command has been sent


class ThermometerTask:
    """Samples every probe; their numbers are their places in `probes`.

    `probes` are those of tasks/probes_*.py. `wire` begins the conversion in all those on the 1-wire bus at once; None
    without such probes.
    """

    def __init__(self, journal: "Journal", clock: "Clock", wire, probes, period_ms: int):
        self._journal = journal
        self.wire = wire
        self.probes = probes
        self.chips = []
        for number in range(len(probes)):
            probe = probes[number]
            self.chips.append(Supervisor(journal, probe.begin, events.THERMOMETER, number, probe.address()))
        self.period_ms = period_ms
        self._now = clock.now
        self._begun = [NOT_READY] * len(probes)  # how each one's latest start went
        self._statuses = [NOT_READY] * len(probes)  # how each one's latest good reading went
        self._watches = [FreezeWatch(journal, THERMOMETER, True) for _ in probes]
        self._started_ms = 0
        self._turn = 0
        self._slot_ms = 0

    def power_up(self, now_ms: int) -> None:
        """Find the thermometers and begin the first conversion."""
        for number in range(len(self.chips)):
            chip = self.chips[number]
            chip.power_up(now_ms)
            chip.address = self.probes[number].address()
        self._start()

    def introduce(self, now_ms: int) -> None:
        """Write what is known of each thermometer."""
        for number in range(len(self.probes)):
            self.probes[number].introduce(self._journal, number, now_ms)

    def step(self, now_ms: int) -> int:
        """Read one thermometer, or begin a conversion after the last; when to come again."""
        number = self._turn
        done_ms = self._started_ms + _CONVERSION_MS
        if now_ms < done_ms:  # as after power-up, which is at no slot
            self._slot_ms = next_slot(self._slot_ms, self.period_ms, done_ms)
            return self._slot_ms
        self._read(number, now_ms)
        number += 1
        if number < len(self.chips):
            self._turn = number
            return now_ms + _TURN_MS
        self._turn = 0
        self._start()
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        return self._slot_ms

    def _start(self):
        wire_status = ABSENT if self.wire is None else self.wire.start()
        for number in range(len(self.probes)):
            probe = self.probes[number]
            if probe.is_on_wire:
                self._begun[number] = wire_status
            else:  # an address without its chip may be another one's: nothing is written there
                self._begun[number] = probe.start() if self.chips[number].present else NOT_READY
        self._started_ms = self._now()

    def _read(self, number, now_ms):
        chip = self.chips[number]
        if not chip.ready(now_ms):
            return
        probe = self.probes[number]
        status = self._begun[number]
        if status == NOT_READY:  # just found again: it converts from the next start on
            return
        if status == OK:
            status = probe.read()
        if status == AFTER_RESET and not probe.is_on_wire:  # it forgot its mode, and what it measured is something else
            chip.lost(now_ms, status)
            return
        if status != OK and status != AFTER_RESET:
            chip.bad(now_ms, status)
            return
        flags = chip.good(now_ms)
        if status == AFTER_RESET:
            if self._statuses[number] == OK and not flags & FLAG_AFTER_RESET:
                chip.restarted(now_ms)
            flags |= FLAG_AFTER_RESET
        self._statuses[number] = status
        flags |= chip.frozen(now_ms, self._watches[number].sees(probe.word()))
        probe.put(self._journal, number, flags, self._started_ms)

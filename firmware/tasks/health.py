"""How the board itself is doing: loop, card, buses, memory, battery."""

import struct

from firmware.core.freeze import BY_HEIGHT, FreezeWatch
from firmware.core.framer import PAYLOAD, Frame
from firmware.core.schedule import next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import ABSENT, OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import HEALTH

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.schedule import Schedule
    from firmware.drivers.gnss import GnssReceiver

_U16 = const(0xFFFF)
_LOW_BYTES = const(20000)
_NOTHING = const(655)  # a hundredth of full scale: no battery that runs this board, so the divider is not wired


class HealthTask:
    """Writes the health record. `battery` may be None on a board without one."""

    def __init__(
        self, journal: "Journal", schedule: "Schedule", receiver: "GnssReceiver", battery, full_scale_mv, period_ms
    ):
        self._journal = journal
        self._schedule = schedule
        self._receiver = receiver
        self._battery = battery
        self._full_scale_mv = full_scale_mv
        self.period_ms = period_ms
        self.battery_raw = 0
        self._frame = Frame(HEALTH)
        self._slot_ms = 0
        self._said_low = False
        self.chip = Supervisor(journal, self._begin, events.BATTERY, 0, 0)
        self._watch = FreezeWatch(journal, BY_HEIGHT, True)

    def _begin(self):
        return OK if self.read_battery() >= _NOTHING else ABSENT

    def read_battery(self) -> int:
        """One reading of the battery's divider, 0 without one."""
        if self._battery is not None:
            try:
                self.battery_raw = self._battery.read_u16()
            except OSError:
                self._journal.bus_errors += 1
        return self.battery_raw

    def _look_after(self, raw, now_ms):
        """Is the divider there, and does it move?"""
        chip = self.chip
        if not chip.present:
            if not chip.ready(now_ms):
                return
        elif raw < _NOTHING:
            chip.lost(now_ms, ABSENT)
            return
        chip.good(now_ms)
        chip.frozen(now_ms, self._watch.sees(raw))

    def step(self, now_ms: int) -> int:
        """Write one record; when to come again."""
        journal = self._journal
        schedule = self._schedule
        raw = self.read_battery()
        self._look_after(raw, now_ms)
        heap_free = schedule.heap_free
        struct.pack_into(
            "<HHHHHIIHH", self._frame.buffer, PAYLOAD,
            min(schedule.turn_ms_max, _U16), min(journal.card_write_ms_max, _U16), min(journal.card_errors, _U16),
            min(journal.bus_errors, _U16), min(self._receiver.bad, _U16), heap_free, journal.sectors_written,
            raw, self._full_scale_mv,
        )  # fmt: skip
        journal.put(self._frame, now_ms)
        schedule.turn_ms_max = 0
        journal.card_write_ms_max = 0
        if 0 < heap_free < _LOW_BYTES and not self._said_low:
            self._said_low = True
            journal.event(now_ms, events.MEMORY_LOW, events.SYSTEM, 0, heap_free)
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        return self._slot_ms

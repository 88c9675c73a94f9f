"""How the board itself is doing: loop, card, buses, memory, battery."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.freeze import BATTERY, FreezeWatch
from firmware.core.schedule import next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import ABSENT, CRC_FAULT, OK
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
# As in core/supervisor.py, with a look of this task in place of a good reading: four hurt messages within a few looks.
_TROUBLE_A_MESSAGE = const(8)
_TROUBLE_DISTURBED = const(24)
_TROUBLE_MAX = const(40)
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
        self._bad = 0  # messages of the receiver with a wrong check sum, at the last look
        self._bad_before = 0
        self._trouble = 0
        self._disturbed_ms = -1  # since when the line to it is; -1: it is not
        self._watch = FreezeWatch(journal, BATTERY, True)

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

    def _look_at_receiver(self, now_ms):
        """Its messages have check sums: is the line to it disturbed?"""
        bad = self._receiver.bad
        hurt = bad - self._bad
        self._bad = bad
        trouble = self._trouble = min(max(self._trouble - 1, 0) + _TROUBLE_A_MESSAGE * hurt, _TROUBLE_MAX)
        if self._disturbed_ms < 0:
            if trouble > _TROUBLE_DISTURBED:
                self._disturbed_ms = now_ms
                self._bad_before = bad - hurt
                self._journal.event(now_ms, events.CHIP_DISTURBED, events.GNSS, 0, CRC_FAULT, bad)
        elif not trouble:
            since_s = (now_ms - self._disturbed_ms) // 1000
            self._disturbed_ms = -1
            self._journal.event(now_ms, events.CHIP_STEADY, events.GNSS, 0, since_s, bad - self._bad_before)

    def step(self, now_ms: int) -> int:
        """Write one record; when to come again."""
        journal = self._journal
        schedule = self._schedule
        raw = self.read_battery()
        self._look_after(raw, now_ms)
        self._look_at_receiver(now_ms)
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

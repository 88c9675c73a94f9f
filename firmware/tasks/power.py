"""Voltage and current of the panel: one pair of raw registers a sample."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.freeze import POWER as POWER_READINGS
from firmware.core.freeze import FreezeWatch
from firmware.core.schedule import next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import AFTER_RESET, OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FLAG_LIMIT, POWER

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal

_DARK = const(10)  # steps of the shunt: less is no current to speak of, and its words may well stand still

_SETTLING = const(2)  # slots left out after a start: the first pair takes up to 39 ms, and a slot may be near

CHANNEL_NUMBER = 0


class PowerTask:
    """Samples one power meter, an INA219 or an INA226."""

    def __init__(self, journal: "Journal", driver, period_ms: int):
        self.driver = driver
        self.chip = Supervisor(journal, self._begin, events.POWER_METER, CHANNEL_NUMBER, driver.address)
        self.period_ms = period_ms
        self._put = journal.put
        self._frame = Frame(POWER)
        self._slot_ms = 0
        self._settling = 0
        self._watch = FreezeWatch(journal, POWER_READINGS, True)

    def _begin(self):
        self._settling = _SETTLING
        return self.driver.begin()

    def step(self, now_ms: int) -> int:
        """Read the pair; when to come again."""
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        chip = self.chip
        if not chip.ready(now_ms):
            return self._slot_ms
        if self._settling:
            self._settling -= 1
            return self._slot_ms
        driver = self.driver
        status = driver.check()  # a chip that browned out goes on in silence, with another range and less averaging
        if status == AFTER_RESET:
            chip.lost(now_ms, status)
            return self._slot_ms
        if status == OK:
            status = driver.read()
        if status != OK:
            chip.bad(now_ms, status)
            return self._slot_ms
        flags = chip.good(now_ms)
        if driver.at_limit:
            flags |= FLAG_LIMIT
        shunt = driver.shunt_raw
        repeats = self._watch.sees(driver.bus_raw, shunt)
        flags |= chip.frozen(now_ms, 0 if -_DARK < shunt < _DARK else repeats)
        struct.pack_into("<BBHh", self._frame.buffer, PAYLOAD, CHANNEL_NUMBER, flags, driver.bus_raw, shunt)
        self._put(self._frame, now_ms)
        return self._slot_ms

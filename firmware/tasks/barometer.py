"""Pressure: two conversions a sample, without waiting for either.

A sample takes two wake-ups. At its slot the pressure conversion is begun; when that is done it is read and the
temperature conversion begun; that one is read at the next slot, just before the next sample starts. So the record of a
sample is written one period late, but it carries the time at which its pressure conversion began, and pressure and
temperature are 10 ms apart.
"""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.journal import Journal
from firmware.core.schedule import Clock, next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import PRESSURE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.drivers.ms5611 import MS5611

_IDLE = const(0)
_PRESSURE = const(1)  # a pressure conversion is running
_TEMPERATURE = const(2)

SENSOR = 0


class BarometerTask:
    """Samples one barometer. `d1_sum`, `d2` and `count` add up what came since the phase task last looked."""

    def __init__(self, journal: Journal, clock: Clock, driver: "MS5611", address: int, period_ms: int):
        self.driver = driver
        self.chip = Supervisor(journal, driver.begin, events.BAROMETER, SENSOR, address)
        self.period_ms = period_ms
        self.d1_sum = 0
        self.d2 = 0
        self.count = 0
        self._put = journal.put
        self._now = clock.now
        self._frame = Frame(PRESSURE)
        self._conversion_ms = driver.conversion_ms + 1  # the tick may end right after the command has been sent
        self._state = _IDLE
        self._slot_ms = 0
        self._sample_ms = 0
        self._started_ms = 0

    def step(self, now_ms: int) -> int:
        """Do what is next; when to come again."""
        driver = self.driver
        chip = self.chip
        if not chip.ready(now_ms):
            self._state = _IDLE
            return self._next_slot(now_ms)
        state = self._state
        if state != _IDLE:
            done_ms = self._started_ms + self._conversion_ms
            if now_ms < done_ms:
                return done_ms
        if state == _PRESSURE:
            self._state = _IDLE
            status = driver.read_pressure()
            if status == OK:
                status = driver.start_temperature()
            if status == OK:
                self._started_ms = self._now()
                self._state = _TEMPERATURE
            else:
                chip.bad(now_ms, status)
            return self._next_slot(now_ms)
        if state == _TEMPERATURE:
            status = driver.read_temperature()
            if status == OK:
                self._take(now_ms)
            else:
                chip.bad(now_ms, status)
        self._state = _IDLE
        status = driver.start_pressure()
        if status != OK:
            chip.bad(now_ms, status)
            return self._next_slot(now_ms)
        self._sample_ms = self._started_ms = self._now()
        self._state = _PRESSURE
        return self._started_ms + self._conversion_ms

    def _take(self, now_ms):
        driver = self.driver
        flags = self.chip.good(now_ms)
        struct.pack_into("<BBII", self._frame.buffer, PAYLOAD, SENSOR, flags, driver.d1, driver.d2)
        self._put(self._frame, self._sample_ms)
        self.d1_sum += driver.d1
        self.d2 = driver.d2
        self.count += 1

    def _next_slot(self, now_ms):
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        return self._slot_ms

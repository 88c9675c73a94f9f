"""Once a second: which phase of the flight it is, and what follows from it for everyone else."""

from firmware.core.signals import state_for
from shared_protocol import events
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

    from firmware.core.journal import Journal
    from firmware.core.phase import Phase
    from firmware.core.schedule import Schedule
    from firmware.core.selftest import SelfTest
    from firmware.core.signals import Signals
    from firmware.tasks.barometer import BarometerTask
    from firmware.tasks.gnss import GnssTask
    from firmware.tasks.log import LogTask

_PERIOD_MS = const(1000)
_FIX_MS_MAX = const(5000)
_WAKE_MS = const(100)  # far enough from a reading of this very turn for the next one


class FlightPhaseTask:
    """Feeds the phase logic and hands its result on. `measuring` are the tasks whose period stretches when landed."""

    def __init__(self, journal: "Journal", phase: "Phase", barometer: "BarometerTask", gnss: "GnssTask", log: "LogTask",
                 measuring, landed_factor: int, selftest: "SelfTest", signals: "Signals",
                 schedule: "Schedule"):  # fmt: skip
        self._journal = journal
        self._phase = phase
        self._barometer = barometer
        self._gnss = gnss
        self._log = log
        self._measuring = measuring
        self._periods_ms = [task.period_ms for task in measuring]
        self._landed_factor = landed_factor
        self._factor = 1  # what the periods are stretched by now
        self._selftest = selftest
        self._signals = signals
        self._schedule = schedule
        self._fix_ms = -1
        self._is_announced = False

    def step(self, now_ms: int) -> int:
        """Judge; when to come again."""
        now_s = now_ms // 1000
        phase = self._phase
        self._take_pressure(now_s)
        receiver: "Any" = self._gnss.receiver  # where None stands for "not known"
        receiver.pressure_altitude_m = phase.pressure_altitude_m(now_s)
        self._take_fix(now_s)
        self._say_altitude(now_ms, receiver.pressure_altitude_m)
        if phase.decide(now_s) or not self._is_announced:
            self._is_announced = True
            self._announce(now_ms)
        self._log.phase_is(phase.phase, now_ms)
        selftest = self._selftest
        selftest.judge(now_ms)
        self._signals.show(state_for(phase.phase, selftest.is_done, selftest.is_go), now_ms)
        return now_ms + _PERIOD_MS - now_ms % _PERIOD_MS

    def _say_altitude(self, now_ms, pressure_altitude_m):
        """For whoever needs evidence that the box moves."""
        journal: "Any" = self._journal  # where None stands for "not known"
        gnss = self._gnss
        if pressure_altitude_m is not None:
            journal.altitude_m = pressure_altitude_m
            journal.altitude_source = events.BAROMETER
        elif gnss.fix_ms >= 0 and now_ms - gnss.fix_ms <= _FIX_MS_MAX:
            journal.altitude_m = gnss.altitude_m
            journal.altitude_source = events.GNSS
        else:
            journal.altitude_m = None

    def _take_pressure(self, now_s):
        barometer = self._barometer
        if not barometer.count:
            return
        pressure = barometer.pressure_pa()
        self._phase.add_pressure(pressure, barometer.d1_sum, now_s)
        barometer.d1_sum = 0
        barometer.count = 0

    def _take_fix(self, now_s):
        gnss = self._gnss
        if gnss.fix_ms != self._fix_ms:
            self._fix_ms = gnss.fix_ms
            self._phase.add_receiver(gnss.altitude_m, now_s)

    def _announce(self, now_ms):
        phase = self._phase
        self._journal.event(now_ms, events.PHASE, phase.source, 0, phase.phase, phase.altitude_m)
        is_landed = phase.phase == events.PHASE_LANDED
        factor = self._landed_factor if is_landed else 1
        for number in range(len(self._measuring)):
            self._measuring[number].period_ms = self._periods_ms[number] * factor
        self._gnss.thinning = factor
        self._log.slowness = factor
        if factor < self._factor:
            self._schedule.wake_by(now_ms + _WAKE_MS)
        self._factor = factor
        if is_landed:
            self._journal.event(now_ms, events.SOUNDER_ON, events.SOUNDER)

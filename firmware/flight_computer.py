"""The parts of the flight computer, put together.

Order at power-up: card (a log is resumed or armed, within two seconds when resumed), chips, loop. Everything that is
found missing on the way is an event and is tried again later by its task.
"""

from firmware.core import last_words
from firmware.core.framer import Framer
from firmware.core.journal import Journal
from firmware.core.logbook import Logbook
from firmware.core.phase import Phase
from firmware.core.schedule import Clock, Schedule
from firmware.core.selftest import SelfTest
from firmware.core.signals import Signals
from firmware.drivers.ds18b20 import ThermometerBus
from firmware.drivers.gnss import GnssReceiver
from firmware.drivers.ina219 import INA219
from firmware.drivers.ms5611 import MS5611
from firmware.tasks.barometer import BarometerTask
from firmware.tasks.flight_phase import FlightPhaseTask
from firmware.tasks.gnss import GnssTask
from firmware.tasks.health import HealthTask
from firmware.tasks.identity import IdentityTask
from firmware.tasks.log import LogTask
from firmware.tasks.power import PowerTask
from firmware.tasks.thermometers import ThermometerTask
from shared_protocol import events
from shared_protocol.compat import const

_PROBE_NAMES = (b"outside", b"inside")
_TASK_ERRORS_IN_WORDS = const(10)


class FlightComputer:
    """All parts of one power-up, put together; start() finds card and chips, `schedule` is the loop."""

    def __init__(self, board, settings, boots, cause: int):
        self.board = board
        self.settings = settings
        self.boots = boots
        self.cause = cause
        self.clock = Clock(board.ticks_ms, board.ticks_diff)
        self.framer = Framer(self.clock)
        self.journal = Journal(self.framer)
        self.logbook = Logbook(
            board.storage, self.framer, self.journal, self.clock, boots, settings, board.random_u32, board.feed
        )
        self.schedule = Schedule(self.clock, board.sleep_ms, board.feed, self._on_error)
        self._task_errors = 0
        self._sources = []

    def start(self) -> None:
        """Open the log, start the chips, fill the schedule."""
        now = self.clock.now
        begun = now()
        journal = self.journal
        settings = self.settings
        self.logbook.open(begun)
        journal.event(begun, events.POWER_UP, events.SYSTEM, 0, self.cause, self.boots.count)
        if settings.replaced:
            journal.event(now(), events.SETTINGS_DEFAULTED, events.SETTINGS, 0, len(settings.replaced))
            journal.note(now(), events.SETTINGS, "default: " + " ".join(settings.replaced))
        if not self.boots.saved:
            journal.note(now(), events.SYSTEM, "the count of power-ups could not be saved")
        words = last_words.take()
        if words:
            journal.note(now(), events.SYSTEM, words)
        self._make_tasks()
        self.board.feed()
        self.barometer.chip.power_up(now())
        self.power.chip.power_up(now())
        self.thermometers.power_up(now())
        self._fill_schedule()

    def _make_tasks(self):
        board = self.board
        settings = self.settings
        journal = self.journal
        address = settings["pressure_address"]
        driver = MS5611(board.i2c, address, board.sleep_ms)
        self.barometer = BarometerTask(journal, self.clock, driver, address, settings["pressure_period_ms"])
        address = settings["panel_address"]
        self.power = PowerTask(journal, INA219(board.i2c, address), address, settings["panel_period_ms"])
        roms = (settings["probe_outside_rom"], settings["probe_inside_rom"])
        bus = ThermometerBus(board.onewire)
        self.thermometers = ThermometerTask(
            journal, self.clock, bus, _PROBE_NAMES, roms, settings["temperature_period_ms"]
        )
        receiver = GnssReceiver(board.uart, settings["gnss_baud"], settings["airborne_model"])
        self.gnss = GnssTask(journal, receiver)
        self.health = HealthTask(
            journal,
            self.schedule,
            receiver,
            board.battery,
            settings["battery_full_scale_mv"],
            settings["health_period_ms"],
        )
        self.identity = IdentityTask(
            journal,
            self.logbook,
            settings,
            self.cause,
            board.unique_id(),
            self.barometer,
            self.thermometers,
            self.power,
        )
        self.log = LogTask(self.logbook, self.framer)
        self.signals = Signals(board.led, board.sounder)
        chips = [self.barometer.chip, self.power.chip] + self.thermometers.chips
        self.selftest = SelfTest(journal, self.logbook, chips, receiver, self.health.read_battery, settings)
        self.phase = Phase(self.logbook.phase)
        measuring = [self.barometer, self.power, self.thermometers, self.health]
        self.flight_phase = FlightPhaseTask(
            journal, self.phase, self.barometer, self.gnss, self.log, measuring, settings["landed_period_factor"],
            self.selftest, self.signals,
        )  # fmt: skip

    def _fill_schedule(self):
        """Measuring first, writing last; all grids begin together, so that wake-ups are shared."""
        now_ms = self.clock.now()
        for task, source in (
            (self.barometer, events.BAROMETER),
            (self.power, events.POWER_METER),
            (self.thermometers, events.THERMOMETER),
            (self.gnss, events.GNSS),
            (self.health, events.BATTERY),
            (self.identity, events.SYSTEM),
            (self.flight_phase, events.SYSTEM),
            (self.signals, events.SOUNDER),
            (self.log, events.CARD),
        ):
            self._sources.append(source)
            self.schedule.add(task.step, now_ms)

    def _on_error(self, now_ms, number, error):
        """A task failed: say so, in words too while that is news."""
        self._task_errors += 1
        source = self._sources[number]
        self.journal.event(now_ms, events.TASK_ERROR, source, number, self._task_errors)
        if self._task_errors <= _TASK_ERRORS_IN_WORDS:
            self.journal.note(now_ms, source, type(error).__name__ + ": " + str(error))

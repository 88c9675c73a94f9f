"""Putting the parts together and starting them; forgotten when the loop runs (core/spare.py).

Order at power-up: every part and its buffers, then the card (a log is resumed or armed, within two seconds when
resumed), the chips, the loop. What is found missing on the way is an event and is tried again later by its task.
"""

from firmware import instruments
from firmware.core import last_words, spare
from firmware.core.bus_repair import BusRepair
from firmware.core.framer import Framer
from firmware.core.journal import Journal
from firmware.core.logbook import Logbook
from firmware.core.phase import Phase
from firmware.core.schedule import Clock, Schedule
from firmware.core.second_copy import SecondCopy
from firmware.core.selftest import SelfTest
from firmware.core.signals import Signals
from firmware.drivers.gnss import GnssReceiver
from firmware.flight_computer import FlightComputer, raise_boot
from firmware.tasks.flight_phase import FlightPhaseTask
from firmware.tasks.gnss import GnssTask
from firmware.tasks.health import HealthTask
from firmware.tasks.identity import IdentityTask
from firmware.tasks.log import LogTask
from shared_protocol import events
from shared_protocol.second_copy import PART_KIB


def build(board, settings, boots, cause: int) -> FlightComputer:
    """Make all parts; nothing is touched but the board's buses."""
    clock = Clock(board.ticks_ms, board.ticks_diff)
    framer = Framer(clock)
    journal = Journal(framer)
    logbook = Logbook(board.storage, framer, journal, clock, boots.count, raise_boot, settings, board.feed)
    computer = FlightComputer(clock, framer, journal, logbook)
    if settings["copy_size_kib"] >= PART_KIB:
        computer.copy = framer.copy = SecondCopy(board.flash, framer, journal, settings["contact"])
    computer.schedule = Schedule(clock, board.sleep_ms, board.feed, computer.on_error)
    _make_sensors(computer, board, settings)
    _make_keepers(computer, board, settings, cause)
    return computer


def _make_sensors(computer, board, settings):
    """The tasks that measure."""
    journal = computer.journal
    clock = computer.clock
    computer.barometer = instruments.barometer(journal, clock, board, settings)
    computer.power = instruments.power_meter(journal, board, settings)
    computer.thermometers = instruments.thermometers(journal, clock, board, settings)
    receiver = GnssReceiver(board.uart, settings["gnss_baud"], settings["airborne_model"])
    computer.gnss = GnssTask(journal, receiver)


def _make_keepers(computer, board, settings, cause):
    """The tasks that look after the log, the board and the flight."""
    c = computer
    journal = c.journal
    receiver = c.gnss.receiver
    full_scale_mv = settings["battery_full_scale_mv"]
    c.health = HealthTask(journal, c.schedule, receiver, board.battery, full_scale_mv, settings["health_period_ms"])
    c.identity = IdentityTask(
        journal, c.logbook, settings, cause, board.unique_id(), c.barometer, c.thermometers, c.power
    )
    c.log = LogTask(c.logbook, journal, c.copy, receiver)
    c.signals = Signals(board.led, board.sounder)
    chips = [c.barometer.chip, c.power.chip, c.health.chip] + c.thermometers.chips
    if hasattr(board.i2c, "clear"):
        c.schedule.add_repair(BusRepair(journal, board.i2c, events.BUS_I2C).step)
    if c.thermometers.wire is not None:
        c.schedule.add_repair(BusRepair(journal, c.thermometers.wire, events.BUS_ONEWIRE).step)
    c.selftest = SelfTest(journal, c.logbook, chips, receiver, c.health.read_battery, settings, c.copy)
    c.phase = Phase()
    measuring = [c.barometer, c.power, c.thermometers, c.health]
    factor = settings["landed_period_factor"]
    c.flight_phase = FlightPhaseTask(
        journal, c.phase, c.barometer, c.gnss, c.log, measuring, factor, c.selftest, c.signals, c.schedule
    )


def start(computer: FlightComputer, board, settings, boots, cause: int) -> None:
    """Open the log, start the chips, fill the loop."""
    now = computer.clock.now
    begun = now()
    journal = computer.journal
    computer.logbook.open(begun)
    from firmware.core import copy_search  # here, so that the table of records is not in memory twice

    copy_search.begin(
        computer.copy, board.flash, computer.logbook, journal, settings["copy_size_kib"] // PART_KIB, begun
    )
    spare.forget(spare.LOG_OPENING)
    computer.phase.begin(computer.logbook.phase)
    journal.event(begun, events.POWER_UP, events.SYSTEM, 0, cause, computer.logbook.boot)
    if settings.replaced:
        journal.event(now(), events.SETTINGS_DEFAULTED, events.SETTINGS, 0, len(settings.replaced))
        journal.note(now(), events.SETTINGS, "default: " + " ".join(settings.replaced))
    if not boots.saved:
        journal.note(now(), events.SYSTEM, "the count of power-ups could not be saved")
    words = last_words.take()
    if words:
        journal.note(now(), events.SYSTEM, words)
    board.feed()
    computer.barometer.chip.power_up(now())
    computer.power.chip.power_up(now())
    computer.thermometers.power_up(now())
    computer.health.chip.power_up(now())
    _fill_schedule(computer)


def _fill_schedule(computer):
    """Measuring first, writing last; all begin at once and fall into the same grid, so that wake-ups are shared."""
    now_ms = computer.clock.now()
    computer.add(computer.barometer, events.BAROMETER, now_ms)
    computer.add(computer.power, events.POWER_METER, now_ms)
    computer.add(computer.thermometers, events.THERMOMETER, now_ms)
    computer.add(computer.gnss, events.GNSS, now_ms)
    computer.add(computer.health, events.BATTERY, now_ms)
    computer.add(computer.identity, events.SYSTEM, now_ms)
    computer.add(computer.flight_phase, events.SYSTEM, now_ms)
    computer.add(computer.signals, events.SOUNDER, now_ms)
    computer.add(computer.log, events.CARD, now_ms)

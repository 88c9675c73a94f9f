"""Bodies of test_flight_computer.py, for real MicroPython: the loop allocates nothing, also while one part fails.

The heap is locked for the whole of a failure: it begins, is noticed and logged, the part is tried again in vain, and
comes back. Each function is one test; it raises AssertionError or prints nothing.
"""

import micropython

from firmware.core.i2c_guard import I2cGuard
from shared_protocol import events, records
from tests.firmware.fakes import rom
from tests.firmware.flight_bench import Flight


class BusWire:
    """SDA or SCL as a pin."""

    OPEN_DRAIN, PULL_UP = 2, 1

    def __init__(self):
        self.held = False
        self.other = None  # of the clock: the data wire
        self.falls_left = 0  # of the clock, until whoever holds the data wire lets go

    def init(self, mode, pull=-1, value=-1):
        pass

    def __call__(self, level=-1):
        if level == 0 and self.other is not None:
            self.falls_left -= 1
            if self.falls_left == 0:
                self.other.held = False
        return 0 if self.held else 1


class StuckBus:
    """The fake board's I2C behind the guard, with a chip that holds SDA down."""

    def __init__(self, bus):
        self._bus = bus
        self._error = OSError(110)
        self.sda, self.scl = BusWire(), BusWire()
        self.scl.other = self.sda
        self.timeouts = 0
        self.made = 0

    def make(self, number, sda=None, scl=None, freq=0, timeout=0):
        self.made += 1
        return self

    def _check(self):
        if self.sda.held:
            self.timeouts += 1
            raise self._error

    def writeto(self, address, buf):
        self._check()
        return self._bus.writeto(address, buf)

    def readfrom_into(self, address, buf):
        self._check()
        self._bus.readfrom_into(address, buf)

    def readfrom_mem_into(self, address, register, buf):
        self._check()
        self._bus.readfrom_mem_into(address, register, buf)

    def writeto_mem(self, address, register, buf):
        self._check()
        self._bus.writeto_mem(address, register, buf)


def locked(flight, seconds):
    """Turns of the loop with the heap locked."""
    schedule = flight.computer.schedule
    time = flight.board.time
    time.stop_ms = -1
    schedule._next_collect_ms = time.ms + 10**9  # collecting is not what is tested, and can't be locked
    turn = schedule.turn
    end_ms = time.ms + 1000 * seconds
    micropython.heap_lock()
    try:
        while time.ms < end_ms:
            pause = turn()
            if pause:
                time.sleep_ms(pause)
    finally:
        micropython.heap_unlock()
    assert flight.computer.task_errors == 0, flight.computer.task_errors


def ready(prepare=None, seconds=65):
    """A flight past its first minute, on a card whose blocks exist."""
    flight = Flight(prepare=prepare)
    flight.run(seconds)
    for number in range(flight.card.count):
        if flight.card.blocks[number] is None:
            flight.card.blocks[number] = bytearray(512)
    return flight


def through(flight, begin, end, lost, back, seconds=20):
    """The failure, under the lock from before it begins until it is over; its events are in the log."""
    locked(flight, 2)
    begin()
    locked(flight, seconds)
    end()
    locked(flight, 20)
    assert len(flight.events(lost)) >= 1, flight.events(lost)
    assert len(flight.events(back)) >= 1, flight.events(back)
    flight.run(1)


def a_barometer_that_falls_silent_and_comes_back():
    flight = ready()
    chip = flight.board.barometer

    def be(answers):
        chip.answers = answers

    through(flight, lambda: be(False), lambda: be(True), events.CHIP_LOST, events.CHIP_BACK)


def a_barometer_that_restarts_and_gives_nothing():
    flight = ready()
    chip = flight.board.barometer
    d1 = chip.d1

    def give(word):
        chip.d1 = word

    through(flight, lambda: give(0), lambda: give(d1), events.CHIP_RESTARTED, events.CHIP_BACK)


def a_barometer_that_freezes_and_thaws():
    flight = ready()
    chip = flight.board.barometer

    def freeze(is_frozen):
        chip.is_frozen = is_frozen

    through(flight, lambda: freeze(True), lambda: freeze(False), events.CHIP_FROZEN, events.CHIP_MOVES)
    flags = [entry[1] for entry in flight.records(records.PRESSURE)]
    assert records.FLAG_FROZEN in flags and flags[-1] == 0


def a_barometer_that_leaps_is_begun_again():
    flight = ready()
    chip = flight.board.barometer

    def leap(by):
        chip.d1 += by

    through(flight, lambda: leap(1 << 20), lambda: leap(-(1 << 20)), events.CHIP_LOST, events.CHIP_BACK)


def a_power_meter_that_falls_silent_and_one_that_browns_out():
    flight = ready()
    chip = flight.board.power_meter

    def be(answers):
        chip.answers = answers

    through(flight, lambda: be(False), lambda: be(True), events.CHIP_LOST, events.CHIP_BACK)

    def brown_out():
        chip.registers[0] = 0x399F
        chip.registers[5] = 0

    through(flight, brown_out, lambda: None, events.CHIP_RESTARTED, events.CHIP_BACK)


def a_thermometer_that_falls_silent_and_a_wire_shorted():
    flight = ready()
    wire = flight.board.onewire
    silent, nobody = [rom(1)], []

    def be_silent(roms):
        wire.silent = roms

    through(flight, lambda: be_silent(silent), lambda: be_silent(nobody), events.CHIP_LOST, events.CHIP_BACK)

    def short(is_shorted):
        wire.is_shorted = is_shorted

    through(flight, lambda: short(True), lambda: short(False), events.BUS_STUCK, events.BUS_FREE)


def a_battery_that_is_unplugged():
    flight = ready()
    adc = flight.board.battery
    through(flight, lambda: adc.set(0), lambda: adc.set(40000), events.CHIP_LOST, events.CHIP_BACK)


def a_bus_that_is_held_down_is_cleared_and_waited_for_once():
    buses = []

    def guard(board):
        stuck = StuckBus(board.i2c)
        board.i2c = I2cGuard(stuck.make, 0, stuck.sda, stuck.scl, 400000, 5000)
        buses.append(stuck)

    flight = ready(guard)
    stuck = buses[0]

    def hold(falls):
        stuck.sda.held = True
        stuck.scl.falls_left = falls

    for falls, tries in ((5, 1), (12, 2)):  # nine clocks and one for the STOP at each try
        before, freed = stuck.timeouts, flight.computer.journal.buses_freed
        through(flight, lambda n=falls: hold(n), lambda: None, events.BUS_STUCK, events.BUS_FREE)
        assert not stuck.sda.held
        assert flight.computer.journal.buses_freed == freed + 1
        assert stuck.timeouts == before + 1, stuck.timeouts - before
        assert flight.events(events.BUS_FREE)[-1][3] == tries, flight.events(events.BUS_FREE)

"""A bus that is held down: noticed once, cleared by nine clocks and a STOP between two turns, waited for by nobody.

The bus and its pins are the simulator's, so that the clocks are counted by somebody else.
"""

from itertools import pairwise

import pytest

from firmware.core.bus_repair import BusRepair
from firmware.core.i2c_guard import I2cGuard
from ground.simulator.board import pins
from ground.simulator.board.clock import Clock
from ground.simulator.board.i2c import I2C, Wires
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.pins import Pin
from shared_protocol import events

TIMEOUT_US = 5000


class Echo:
    """A chip that answers 0x5A."""

    def write(self, data):
        pass

    def read_into(self, buf):
        for place in range(len(buf)):
            buf[place] = 0x5A


class Journal:
    def __init__(self):
        self.told = []
        self.buses_freed = 0

    def event(self, t_ms, code, source, unit=0, a=0, b=0):
        self.told.append((t_ms, code, source, unit, a, b))


class Bench:
    def __init__(self):
        self.clock = Clock()
        self.ledger = Ledger(self.clock)
        pins.connect(self.ledger)
        self.wires = Wires()
        self.wires.connect(4, 5)
        self.wires.attach(0x40, Echo())
        I2C.clock, I2C.wires_by_pins = self.clock, {(4, 5): self.wires}
        self.guard = I2cGuard(I2C, 0, Pin(4), Pin(5), 400_000, TIMEOUT_US)
        self.journal = Journal()
        self.repair = BusRepair(self.journal, self.guard, events.BUS_I2C)

    def read(self):
        """Whether a transfer works, and what it took. [us]"""
        begin_us = self.clock.now_us
        buf = bytearray(2)
        try:
            self.guard.readfrom_mem_into(0x40, 1, buf)
        except OSError:
            return False, self.clock.now_us - begin_us
        assert buf == b"\x5a\x5a"
        return True, self.clock.now_us - begin_us


@pytest.fixture
def bench():
    return Bench()


@pytest.mark.parametrize("clocks", range(1, 10))
def test_a_chip_in_the_middle_of_a_byte_lets_go_after_the_clocks_it_waits_for(bench, clocks):
    bench.wires.hold(clocks)
    assert bench.read() == (False, TIMEOUT_US)
    assert bench.guard.is_stuck
    bench.repair.step(100)
    assert bench.read()[0]
    assert bench.wires.stop_count >= 1
    assert bench.ledger.objections == []
    stuck, free = bench.journal.told
    assert stuck == (100, events.BUS_STUCK, events.BUS, 0, 0, 0)
    assert free == (100, events.BUS_FREE, events.BUS, 0, 0, 1)


def test_one_time_out_is_all_that_a_held_bus_costs(bench):
    bench.wires.hold()
    assert bench.read() == (False, TIMEOUT_US)
    for _ in range(100):
        assert bench.read() == (False, 0)
    for call in (
        lambda: bench.guard.writeto(0x40, b"\0"),
        lambda: bench.guard.readfrom_into(0x40, bytearray(1)),
        lambda: bench.guard.writeto_mem(0x40, 1, b"\0"),
    ):
        with pytest.raises(OSError) as error:
            call()
        assert error.value.args[0] == 110


def test_a_bus_held_for_good_is_tried_less_and_less_often_and_told_of_once(bench):
    bench.wires.hold()
    bench.read()
    tried = []
    clear = bench.guard.clear

    def counted():
        tried.append(now_ms)
        return clear()

    bench.guard.clear = counted
    for now_ms in range(0, 20_000, 10):
        bench.repair.step(now_ms)
    assert tried[:5] == [0, 250, 750, 1750, 3750]
    assert max(b - a for a, b in pairwise(tried)) == 2000
    assert [entry[1] for entry in bench.journal.told] == [events.BUS_STUCK]
    bench.wires.let_go()
    for now_ms in range(20_000, 23_000, 10):
        bench.repair.step(now_ms)
    assert [entry[1] for entry in bench.journal.told] == [events.BUS_STUCK, events.BUS_FREE]
    assert bench.journal.told[1][4] == bench.journal.told[1][0]  # milliseconds, from 0 on
    assert bench.journal.buses_freed == 1
    assert bench.read()[0]


def test_a_chip_that_stretches_the_clock_too_long_is_its_own_trouble_only(bench):
    def slow(address):
        bench.clock.advance(TIMEOUT_US)
        raise OSError(110)

    bench.wires.before_transfer = slow
    assert not bench.read()[0]
    assert not bench.guard.is_stuck
    bench.wires.before_transfer = None
    assert bench.read()[0]
    bench.repair.step(0)
    assert bench.journal.told == []


def test_a_missing_chip_is_no_stuck_bus(bench):
    bench.wires.detach(0x40)
    assert not bench.read()[0]
    assert not bench.guard.is_stuck


def test_pins_that_were_taken_from_the_controller_are_given_back_only_by_a_new_bus(bench):
    """The virtual board is as strict as an RP2040: without it, forgetting to make the bus anew would not show."""
    old = bench.guard._bus
    Pin(4).init(Pin.OPEN_DRAIN, value=1)
    with pytest.raises(OSError):
        old.readfrom_mem_into(0x40, 1, bytearray(2))
    I2C(0, sda=Pin(4), scl=Pin(5), freq=400_000, timeout=TIMEOUT_US)
    old.readfrom_mem_into(0x40, 1, bytearray(2))


def test_a_push_pull_output_on_a_bus_wire_is_objected_to(bench):
    Pin(5, Pin.OUT, value=0)
    assert "push-pull" in bench.ledger.objections[0]["what"]

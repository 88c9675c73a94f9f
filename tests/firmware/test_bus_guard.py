"""A bus that is held down: noticed once, cleared by nine clocks and a STOP between two turns, waited for by nobody.

The bus and its pins are the simulator's, so that the clocks are counted by somebody else.
"""

from itertools import pairwise

import pytest

from firmware.core.bus_repair import BusRepair
from firmware.core.i2c_guard import WAITS, I2cGuard
from ground.simulator.board import pins
from ground.simulator.board.clock import Clock
from ground.simulator.board.i2c import I2C, Wires
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.pins import Pin
from shared_protocol import events
from tests.interpreters import INTERPRETERS, run

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


@pytest.mark.parametrize("number", [110, 116])
def test_a_controller_that_waits_for_a_stranger_s_stop_is_made_anew(bench, number):
    """It times out with both wires up, whoever is called, until somebody makes it anew."""
    made = bench.guard._make

    def remake(*args, **kwargs):
        bench.wires.before_transfer = None
        return made(*args, **kwargs)

    def wait(address):
        bench.clock.advance(TIMEOUT_US)
        raise OSError(number)

    bench.guard._make = remake
    bench.wires.before_transfer = wait
    for _ in range(WAITS):
        assert not bench.guard.is_stuck
        assert not bench.read()[0]
    assert bench.guard.is_stuck
    bench.repair.step(100)
    assert [entry[1] for entry in bench.journal.told] == [events.BUS_STUCK, events.BUS_FREE]
    assert bench.read()[0]
    assert bench.ledger.objections == []


def test_a_chip_that_is_always_too_slow_has_the_bus_cleared_less_and_less_often(bench):
    def slow(address):
        raise OSError(110)

    bench.wires.before_transfer = slow
    cleared = []
    for number in range(1, 1000):
        bench.read()
        if bench.guard.is_stuck:
            cleared.append(number)
            bench.repair.step(number * 10_000)
    assert cleared[:6] == [3, 6, 12, 24, 48, 96]
    assert {b - a for a, b in pairwise(cleared[5:])} == {96}


def test_a_slow_chip_beside_others_never_has_the_bus_cleared(bench):
    """Neither a good transfer nor a missing acknowledgement can come from a controller that waits."""

    def slow(address):
        if address == 0x41:
            raise OSError(110)

    bench.wires.before_transfer = slow
    for other in (0x40, 0x50):
        for _ in range(20):
            for _ in range(WAITS - 1):
                with pytest.raises(OSError):
                    bench.guard.readfrom_mem_into(0x41, 1, bytearray(2))
            try:
                bench.guard.readfrom_mem_into(other, 1, bytearray(2))
            except OSError as error:
                assert other == 0x50 and error.args[0] == 5
            assert not bench.guard.is_stuck


def test_a_byte_that_was_not_acknowledged_is_an_error(bench):
    """machine.I2C.writeto() raises for a missing address only, and counts the rest."""
    whole = bench.guard._bus.writeto
    bench.guard._bus.writeto = lambda address, buf: whole(address, buf) - 1
    with pytest.raises(OSError) as error:
        bench.guard.writeto(0x40, b"\x01\x02")
    assert error.value.args[0] == 5
    bench.guard._bus.writeto = whole
    assert bench.guard.writeto(0x40, b"\x01\x02") == 2
    assert bench.guard.writeto(0x40, b"") == 0


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_bus_held_for_hours_takes_no_memory(interpreter):
    """One exception is raised over and over, and MicroPython lengthens its traceback at each raise."""
    assert run(HELD, interpreter) == "refused\n"


HELD = """
import gc
from firmware.core.i2c_guard import I2cGuard

class Held:
    def __init__(self, *args, **kwargs):
        pass
    def __call__(self):
        return 0
    def readfrom_into(self, address, buf):
        raise OSError(110)

def refused(guard, buf):
    try:
        guard.readfrom_into(0x40, buf)
    except OSError:
        return 1
    return 0

guard = I2cGuard(Held, 0, Held(), Held(), 400000, 5000)
buf = bytearray(2)
assert refused(guard, buf) and guard.is_stuck
used = getattr(gc, "mem_alloc", int)
gc.collect()
before = used()
total = 0
for _ in range(5000):
    total += refused(guard, buf)
gc.collect()
assert total == 5000
assert used() - before < 1000, used() - before
print("refused")
"""


def test_the_virtual_bus_gives_up_a_transfer_that_is_longer_than_its_time_out(bench):
    """As an RP2040 does; so a time-out that is too short for a slow bus shows in any simulated flight."""
    slow = I2C(0, sda=Pin(4), scl=Pin(5), freq=10_000, timeout=TIMEOUT_US)
    slow.readfrom_mem_into(0x40, 1, bytearray(2))  # 4.5 ms
    with pytest.raises(OSError) as error:
        slow.readfrom_mem_into(0x40, 1, bytearray(3))
    assert error.value.args[0] == 110


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

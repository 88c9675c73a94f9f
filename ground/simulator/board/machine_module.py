"""The modules that the firmware imports and that a laptop does not have, or has differently.

`install` puts `machine`, `time`, `onewire`, `os` and `gc` into sys.modules before the firmware is imported. What is
replaced in `time`, `os` and `gc` is only what would tell the host from the board or make two runs differ: the clock,
`os.urandom`, what the flash says of itself (flash.py), and the heap figures.

Heap: the firmware shares its interpreter with the virtual chips, so the interpreter's own figures would say nothing
about the board and would differ from run to run. `gc.mem_free` and `gc.mem_alloc` therefore give the board's budget
(see HEAP_FREE_BYTES), and `gc.collect` takes the time it takes on the board.
"""

import sys

from ground.simulator.board import clock as clock_module
from ground.simulator.board.clock import SoftReset
from ground.simulator.board.flash import FlashCalls
from ground.simulator.board.i2c import I2C
from ground.simulator.board.onewire_bus import SKIP_ROM, OneWire, OneWireError
from ground.simulator.board.pins import Pin, pin_number
from ground.simulator.board.spi_bus import SPI
from ground.simulator.board.uart import UART
from ground.simulator.board.watchdog import WDT

HEAP_FREE_BYTES = 110000  # of 230 kB, at the planned 120 kB live (board_budget); not a measurement
HEAP_USED_BYTES = 120000
_COLLECT_US = 10000  # small heap, budget (board_budget)
PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5


class Module:
    """A module made of attributes. `fallback` supplies whatever is not set here."""

    def __init__(self, name, fallback=None):
        self.__name__ = name
        self._fallback = fallback

    def __getattr__(self, name):
        if name == "_fallback" or self._fallback is None:
            raise AttributeError(name)
        return getattr(self._fallback, name)


class SoftI2C(I2C):
    """machine.SoftI2C: the same bus without a peripheral's number."""

    def __init__(self, scl, sda, freq=400000, timeout=50000):
        I2C.__init__(self, -1, scl=scl, sda=sda, freq=freq, timeout=timeout)


def install(board):
    """Put the board's modules in place. `board` is an assembly.Board."""
    for name, module in (("machine", _machine(board)), ("time", _time(board.clock)), ("onewire", _onewire()),
                         ("os", _os(board)), ("gc", _gc(board))):
        sys.modules[name] = module
    sys.modules["utime"] = sys.modules["time"]
    sys.modules["uos"] = sys.modules["os"]


def _machine(board):
    machine = Module("machine")
    clock = board.clock
    for each in (Pin, I2C, SoftI2C, UART, WDT):
        setattr(machine, each.__name__, each)
    machine.PWRON_RESET, machine.WDT_RESET, machine.SOFT_RESET = PWRON_RESET, WDT_RESET, SOFT_RESET
    machine.HARD_RESET, machine.DEEPSLEEP_RESET = HARD_RESET, DEEPSLEEP_RESET

    class ADC:
        """machine.ADC: the converter input at a pin; an unconnected one reads the last few codes above ground."""

        def __init__(self, pin, *args, **kwargs):
            self._pin = pin_number(pin)

        def read_u16(self):
            wired = board.adc_by_pin.get(self._pin)
            return wired.read_u16() if wired is not None else 0x0030

    def reset():
        clock.end(SoftReset("machine.reset()"))

    def sd_card(*args, **kwargs):
        return board.card

    machine.ADC = ADC
    if board.spi_card is None:  # else the port has no card of its own, as on the RP2040
        machine.SDCard = sd_card
    machine.SPI = SPI
    machine.reset = machine.soft_reset = reset
    machine.reset_cause = lambda: board.reset_cause
    machine.unique_id = lambda: board.unique_id
    machine.freq = lambda *args: 125000000
    machine.disable_irq = lambda: 0
    machine.enable_irq = lambda state: None
    machine.idle = lambda: clock.advance(100)
    machine.lightsleep = lambda duration_ms=0: clock.sleep_ms(duration_ms)
    return machine


def _time(clock):
    import time as host_time

    time = Module("time", host_time)
    for name in ("ticks_ms", "ticks_us", "sleep_ms", "sleep_us", "sleep", "time", "time_ns"):
        setattr(time, name, getattr(clock, name))
    time.ticks_add = clock_module.ticks_add
    time.ticks_diff = clock_module.ticks_diff
    return time


def _onewire():
    onewire = Module("onewire")
    onewire.OneWire = OneWire
    onewire.OneWireError = OneWireError
    onewire.SKIP_ROM = SKIP_ROM
    return onewire


def _os(board):
    import os as host_os

    os = Module("os", host_os)
    for name in dir(host_os):
        if name[:2] != "__":
            setattr(os, name, getattr(host_os, name))
    flash = FlashCalls(host_os, board.flash is not None)
    os.listdir, os.ilistdir, os.stat, os.statvfs = flash.listdir, flash.ilistdir, flash.stat, flash.statvfs
    os.urandom = board.chance.bytes
    os.sync = lambda: None
    return os


def _gc(board):
    import gc as host_gc

    def collect(*_args):
        board.clock.advance(_COLLECT_US)
        board.heap.collected()

    gc = Module("gc", host_gc)
    gc.collect = collect
    gc.mem_free = lambda: HEAP_FREE_BYTES
    gc.mem_alloc = lambda: HEAP_USED_BYTES
    gc.threshold = lambda *args: -1
    return gc

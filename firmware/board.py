"""The board: the one file that knows `machine`. Pins and buses come from the settings; what can't be made is left out.

A bus or pin that the port refuses (a number that does not exist, a wiring it can't do) becomes one on which nobody
answers. So the drivers' own handling of absent chips covers a wrong setting as well, and the rest of the board flies.

All of this is needed at power-up only and forgotten when the loop runs (core/spare.py).
"""

import sys
import time

import machine
import onewire

from firmware.card_storage import CardStorage
from firmware.core.i2c_guard import I2cGuard
from firmware.flash_storage import FlashStorage
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

_EIO = const(5)
_WATCHDOG_MS = const(8000)  # the RP2040's longest is 8388 ms; a card may be busy for a second or more
_I2C_TIMEOUT_US = const(5000)  # besides the transfer itself, which counts as well on the RP2040 (i2c_write_timeout_us)
_I2C_CLOCKS_MAX = const(261)  # of the longest transfer, 24 bytes of a calibration with two addresses, register, ACKs
_UART_BUFFER = const(1024)  # a second at 9600 baud: longer than any turn of the loop
_REASON = const(0x40058008)  # register and bits: RP2040 data sheet, 4.7.6, WATCHDOG: REASON; from memory
_REASON_TIMER = const(1)
_REASON_FORCE = const(2)
_CARD_HZ = const(12000000)
_CARD_HZ_START = const(400000)


def _no_answer(*_args):
    raise OSError(_EIO)


def _nothing(*_args, **_kwargs):
    return 0


class NoBus:
    """A bus on which nobody answers, in place of one that could not be made: I2C, 1-wire and UART at once."""

    is_stuck = False
    readfrom_into = writeto = readfrom_mem_into = writeto_mem = scan = _no_answer
    reset = any = readinto = write = init = _nothing


class Board:
    """All parts. `i2c`, `onewire` and `uart` are never None; `battery`, `led` and `sounder` may be."""

    def __init__(self, settings):
        self.ticks_ms = time.ticks_ms
        self.ticks_diff = time.ticks_diff
        self.sleep_ms = time.sleep_ms
        self.feed = _nothing  # the watchdog's, once that is started
        self.i2c = _made(_make_i2c, settings) or NoBus()
        self.onewire = _made(_make_onewire, settings) or NoBus()
        self.uart = _made(_make_uart, settings) or NoBus()
        self.battery = _made(_make_battery, settings)
        self.led = _made(_make_output, settings["led_pin"])
        self.sounder = _made(_make_output, settings["sounder_pin"])
        self.storage = CardStorage(
            settings["card_spi"],
            settings["card_sck"],
            settings["card_mosi"],
            settings["card_miso"],
            settings["card_cs"],
        )
        self.flash = FlashStorage()

    def start_watchdog(self) -> None:
        """From now on feed() has to be called every few seconds; there is no way back."""
        watchdog = _made(_make_watchdog, None)
        if watchdog is not None:
            self.feed = self.storage.feed = watchdog.feed

    def unique_id(self) -> bytes:
        """Serial number of the board, 8 bytes."""
        return (bytes(machine.unique_id()) + bytes(8))[:8]


def make_card(spi: int, sck: int, mosi: int, miso: int, cs: int, feed):
    """The card as a block device: the port's own where it has one, else our driver on an SPI bus. May raise.

    Either feeds the watchdog before each block, for one call of the FAT driver may move several.
    """
    port_card = getattr(machine, "SDCard", None)
    if port_card is not None:
        card = port_card()
        from firmware.drivers.port_card import PortCard  # behind what may raise: see there

        return PortCard(card, feed)
    from firmware.drivers.sdcard import SDCard

    pin = machine.Pin
    bus: "Any" = machine.SPI(spi, baudrate=_CARD_HZ_START, sck=pin(sck), mosi=pin(mosi), miso=pin(miso))
    return SDCard(bus, pin(cs, pin.OUT, value=1), time.ticks_ms, time.sleep_ms, _CARD_HZ, feed)


def reset_causes() -> tuple:
    """What the port says of this start, and its words for power-up and watchdog; -1 for a reset by order.

    The rp2 port says "watchdog" of every reset that was none of the supply, machine.reset() and a new MicroPython
    included (ports/rp2/modmachine.c), and goes on saying it after a soft reset.
    """
    now = machine.reset_cause()
    if now == machine.WDT_RESET and _was_ordered():
        now = -1
    return now, machine.PWRON_RESET, machine.WDT_RESET


def reset() -> None:
    """Start the board anew."""
    machine.reset()


def _was_ordered():
    """An RP2040's watchdog knows whether its time ran out or it was told to reset."""
    if "RP2040" not in getattr(sys.implementation, "_machine", ""):
        return False
    return machine.mem32[_REASON] & (_REASON_TIMER | _REASON_FORCE) == _REASON_FORCE


def _make_i2c(s):
    bus = s["i2c_sda"] // 2 % 2  # how the RP2040 spreads its two I2C controllers over the pins
    sda, scl = machine.Pin(s["i2c_sda"]), machine.Pin(s["i2c_scl"])
    hz = s["i2c_hz"]
    return I2cGuard(machine.I2C, bus, sda, scl, hz, _I2C_TIMEOUT_US + _I2C_CLOCKS_MAX * 1000000 // hz)


def _make_onewire(s):
    return onewire.OneWire(machine.Pin(s["onewire_pin"]))


def _make_uart(s):
    tx, rx = machine.Pin(s["gnss_tx"]), machine.Pin(s["gnss_rx"])
    return machine.UART(s["gnss_uart"], baudrate=s["gnss_baud"], tx=tx, rx=rx, rxbuf=_UART_BUFFER, timeout=0)


def _make_battery(s):
    return machine.ADC(machine.Pin(s["battery_pin"]))


def _make_output(pin):
    return machine.Pin(pin, machine.Pin.OUT, value=0)


def _make_watchdog(_):
    return machine.WDT(timeout=_WATCHDOG_MS)


def _made(make, settings):
    """What `make(settings)` gives, or None if the port will not have it."""
    try:
        return make(settings)
    except (ValueError, OSError, TypeError, AttributeError):
        return None

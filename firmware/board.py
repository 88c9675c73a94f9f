"""The board: the one file that knows `machine`. Pins and buses come from the settings; what can't be made is left out.

A bus or pin that the port refuses (a number that does not exist, a wiring it can't do) becomes one on which nobody
answers. So the drivers' own handling of absent chips covers a wrong setting as well, and the rest of the board flies.
"""

import os
import time

import machine
import onewire
import vfs

from shared_protocol.compat import const

_EIO = const(5)
_WATCHDOG_MS = const(8000)  # the RP2040's longest is 8388 ms; a card may be busy for a second or more
_I2C_TIMEOUT_US = const(5000)
_UART_BUFFER = const(1024)  # a second at 9600 baud: longer than any turn of the loop
_CARD_HZ = const(12000000)
_CARD_HZ_START = const(400000)


class NoBus:
    """A bus on which nobody answers, in place of one that could not be made: I2C, 1-wire and UART at once."""

    def readfrom_into(self, addr, buf):
        raise OSError(_EIO)

    def writeto(self, addr, buf):
        raise OSError(_EIO)

    def readfrom_mem_into(self, addr, memaddr, buf):
        raise OSError(_EIO)

    def writeto_mem(self, addr, memaddr, buf):
        raise OSError(_EIO)

    def scan(self):
        return []

    def reset(self, required=False):
        return False

    def any(self):
        return 0

    def readinto(self, buf, nbytes=0):
        return None

    def write(self, buf):
        return None

    def init(self, baudrate=0):
        pass


class CardStorage:
    """The card's root directory. The file system is used directly, not through a mount point, so a lost card can be
    tried again by simply making it anew. `make_card()` gives a block device."""

    def __init__(self, make_card):
        self._make_card = make_card
        self._fs = None

    def mount(self) -> None:
        """Start the card and read its file system. OSError without a card or without a FAT on it."""
        self._fs = vfs.VfsFat(self._make_card())

    def names(self) -> list:
        """Names in the root directory."""
        return [entry[0] for entry in self._fs.ilistdir("")]

    def open(self, name: str, mode: str):
        """The file, unbuffered: what is written in whole sectors goes straight to the card."""
        return self._fs.open(name, mode)

    def size(self, name: str) -> int:
        """Bytes, as the directory says."""
        return self._fs.stat(name)[6]

    def remove(self, name: str) -> None:
        """Delete the file."""
        self._fs.remove(name)


class Board:
    """All parts. `i2c`, `onewire` and `uart` are never None; `battery`, `led` and `sounder` may be."""

    def __init__(self, settings):
        self._settings = settings
        self.ticks_ms = time.ticks_ms
        self.ticks_diff = time.ticks_diff
        self.sleep_ms = time.sleep_ms
        self.i2c = _made(self._make_i2c) or NoBus()
        self.onewire = _made(self._make_onewire) or NoBus()
        self.uart = _made(self._make_uart) or NoBus()
        self.battery = _made(self._make_battery)
        self.led = _made(lambda: _output(settings["led_pin"]))
        self.sounder = _made(lambda: _output(settings["sounder_pin"]))
        self.storage = CardStorage(self._make_card)
        self._watchdog = None
        self._card = None

    def start_watchdog(self) -> None:
        """From now on feed() has to be called every few seconds; there is no way back."""
        self._watchdog = _made(lambda: machine.WDT(timeout=_WATCHDOG_MS))

    def feed(self) -> None:
        """Tell the watchdog that the loop is alive."""
        if self._watchdog is not None:
            self._watchdog.feed()

    def unique_id(self) -> bytes:
        """Serial number of the board, 8 bytes."""
        return (bytes(machine.unique_id()) + bytes(8))[:8]

    def random_u32(self) -> int:
        """A number nobody else has."""
        return int.from_bytes(os.urandom(4), "little")

    def _make_i2c(self):
        s = self._settings
        sda, scl = machine.Pin(s["i2c_sda"]), machine.Pin(s["i2c_scl"])
        bus = s["i2c_sda"] // 2 % 2  # how the RP2040 spreads its two I2C controllers over the pins
        return machine.I2C(bus, sda=sda, scl=scl, freq=s["i2c_hz"], timeout=_I2C_TIMEOUT_US)

    def _make_onewire(self):
        return onewire.OneWire(machine.Pin(self._settings["onewire_pin"]))

    def _make_uart(self):
        s = self._settings
        tx, rx = machine.Pin(s["gnss_tx"]), machine.Pin(s["gnss_rx"])
        return machine.UART(s["gnss_uart"], baudrate=s["gnss_baud"], tx=tx, rx=rx, rxbuf=_UART_BUFFER, timeout=0)

    def _make_battery(self):
        return machine.ADC(machine.Pin(self._settings["battery_pin"]))

    def _make_card(self):
        """A block device: the port's own SD card where it has one, else ours over SPI. Made once, started at mounts."""
        if self._card is None:
            port_card = getattr(machine, "SDCard", None)
            self._card = port_card() if port_card is not None else self._make_spi_card()
        return self._card

    def _make_spi_card(self):
        from firmware.drivers.sdcard import SDCard

        s = self._settings
        cs = machine.Pin(s["card_cs"], machine.Pin.OUT, value=1)
        spi = machine.SPI(
            s["card_spi"], baudrate=_CARD_HZ_START,
            sck=machine.Pin(s["card_sck"]), mosi=machine.Pin(s["card_mosi"]), miso=machine.Pin(s["card_miso"]),
        )  # fmt: skip
        return SDCard(spi, cs, time.ticks_ms, time.sleep_ms, _CARD_HZ)


def reset_causes() -> tuple:
    """What the port says of this start, and its words for power-up and watchdog."""
    return machine.reset_cause(), machine.PWRON_RESET, machine.WDT_RESET


def reset() -> None:
    """Start the board anew."""
    machine.reset()


def _output(pin):
    return machine.Pin(pin, machine.Pin.OUT, value=0)


def _made(make):
    """What `make()` gives, or None if the port will not have it."""
    try:
        return make()
    except (ValueError, OSError, TypeError, AttributeError):
        return None

"""A virtual SD card on a virtual SPI bus, and the same bus as the drivers of CircuitPython call it."""

from ground.simulator.board import pins
from ground.simulator.board.card import Card
from ground.simulator.board.clock import Clock
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.noise import Noise
from ground.simulator.board.pins import Pin
from ground.simulator.board.spi_bus import SPI
from ground.simulator.board.spi_card import SpiCard

SCK, MOSI, MISO, CS = 18, 19, 16, 17


class SpiBench:
    """A card of `blocks` blocks at the pins of the default settings."""

    def __init__(self, folder, kind="sdhc", blocks=8192, image=None):
        self.image = image or folder / f"{kind}.img"
        if image is None:
            with open(self.image, "wb") as file:
                file.truncate(blocks * 512)
        self.clock = Clock(1_000_000)
        self.ledger = Ledger(self.clock)
        pins.connect(self.ledger)
        self.store = Card(self.clock, self.ledger, str(self.image), seed=5)
        self.card = SpiCard(self.clock, self.ledger, self.store, Noise(5, "spi"), kind)
        SPI.clock, SPI.parts_by_pins = self.clock, {(SCK, MOSI, MISO): self.card}
        pins.set_input(CS, 1)
        pins.on_change(CS, self.card.select)
        self.cs = Pin(CS, Pin.OUT, value=1)
        self.spi = SPI(0, baudrate=400_000, sck=SCK, mosi=MOSI, miso=MISO)

    @property
    def objections(self):
        return [objection["what"] for objection in self.ledger.objections]

    def block(self, number):
        """What the image holds there."""
        data = self.image.read_bytes()
        return data[number * 512 : number * 512 + 512]


class CircuitPythonSpi:
    """busio.SPI as the CircuitPython drivers call it."""

    def __init__(self, spi):
        self._spi = spi

    def try_lock(self):
        return True

    def unlock(self):
        pass

    def configure(self, *, baudrate=100000, polarity=0, phase=0, bits=8):
        self._spi.init(baudrate=baudrate)

    def write(self, buf, *, start=0, end=None):
        self._spi.write(bytes(buf[start:end]))

    def readinto(self, buf, *, start=0, end=None, write_value=0):
        view = memoryview(buf)[start:end]
        got = bytearray(len(view))
        self._spi.readinto(got, write_value)
        view[:] = got


class CircuitPythonPin:
    """digitalio.DigitalInOut as an output."""

    def __init__(self, pin):
        self._pin = pin

    def switch_to_output(self, value=False, **_):
        self._pin(1 if value else 0)

    @property
    def value(self):
        return bool(self._pin())

    @value.setter
    def value(self, level):
        self._pin(1 if level else 0)


class BlockFile:
    """The blocks behind readblocks() and writeblocks() as a file, for pyfatfs."""

    def __init__(self, device, blocks):
        self._device, self._size, self._at = device, blocks * 512, 0
        self.closed = False
        self.mode = "r+b"

    def seek(self, at, whence=0):
        self._at = at + (0, self._at, self._size)[whence]
        return self._at

    def tell(self):
        return self._at

    def readable(self):
        return True

    writable = seekable = readable

    def flush(self):
        pass

    def close(self):
        self.closed = True

    def _span(self, length):
        first, last = self._at // 512, (self._at + max(length, 1) - 1) // 512
        data = bytearray((last - first + 1) * 512)
        self._device.readblocks(first, data)
        return first, data, self._at - first * 512

    def read(self, length=-1):
        length = min(self._size - self._at, length if length >= 0 else self._size)
        if length <= 0:
            return b""
        _, data, at = self._span(length)
        self._at += length
        return bytes(data[at : at + length])

    def write(self, new):
        new = bytes(new)
        first, data, at = self._span(len(new))
        data[at : at + len(new)] = new
        self._device.writeblocks(first, data)
        self._at += len(new)
        return len(new)

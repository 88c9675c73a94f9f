"""machine.SPI, mode 0, and what hangs on its wires. One thing is at the other end: the card, when its CS pin is low."""

from ground.simulator.board.pins import pin_number

_CALL_US = 10  # MicroPython's own time around one transfer (an assumption; board_budget has 2.8 ms for a block)


class SPI:
    """The calls of machine.SPI that the card's driver uses, and write_readinto beside them."""

    MSB, LSB = 0, 1

    clock = None  # set by the board before the firmware starts
    parts_by_pins: dict = {}  # (sck, mosi, miso) -> what is wired there

    def __init__(self, spi_id, baudrate=1000000, polarity=0, phase=0, bits=8, firstbit=0, sck=None, mosi=None,
                 miso=None):
        key = (pin_number(sck), pin_number(mosi), pin_number(miso))
        self._part = self.parts_by_pins.get(key)
        self._advance = self.clock.advance
        self.init(baudrate=baudrate)

    def init(self, baudrate=None, polarity=0, phase=0, bits=8, firstbit=0, sck=None, mosi=None, miso=None):
        if baudrate is not None:
            self._byte_ns = 8000000000 // baudrate
            if self._part is not None:
                self._part.clocked_at(baudrate)

    def deinit(self):
        """The pins are free again."""

    def write(self, buf):
        self._advance(len(buf) * self._byte_ns // 1000 + _CALL_US)
        if self._part is not None:
            self._part.hear(buf)

    def readinto(self, buf, write=0):
        self._advance(len(buf) * self._byte_ns // 1000 + _CALL_US)
        if self._part is not None:
            self._part.say(buf, write)
            return
        for index in range(len(buf)):
            buf[index] = 0xFF  # the line floats high

    def read(self, length, write=0):
        buf = bytearray(length)
        self.readinto(buf, write)
        return bytes(buf)

    def write_readinto(self, write_buf, read_buf):
        self._advance(len(write_buf) * self._byte_ns // 1000 + _CALL_US)
        for index in range(len(write_buf)):
            read_buf[index] = self._part.exchange(write_buf[index]) if self._part is not None else 0xFF

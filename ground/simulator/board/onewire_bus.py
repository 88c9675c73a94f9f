"""The `onewire` module that MicroPython freezes into its boards, over a virtual wire.

The firmware gets the very calls of that module. The wire is a wired AND of what each chip puts on it; `scan` is the
bit-by-bit search of the data sheet (Maxim application note 187), so ROM collisions are met as on the real wire.
Times: a reset takes 0.96 ms, a bit slot 70 us, and the bit-banged byte of a 125 MHz board 0.63 ms (board_budget: start
of a conversion 2.2 ms without, a scratchpad read 13.2 ms with the ROM code).
"""

from ground.simulator.board.chips.ds18b20 import crc8
from ground.simulator.board.pins import pin_number

_RESET_US = 960
_BIT_US = 72
_BYTE_US = 630
_PASSES_MAX = 0xFF
_SEARCH_ROM = 0xF0
_MATCH_ROM = 0x55
SKIP_ROM = 0xCC


class OneWireError(Exception):
    """The module's own error: no presence pulse where one was asked for."""


class Wire:
    """One data line and the chips on it: the bench door of the bus."""

    def __init__(self):
        self.chips = []
        self.shorted = False  # held at ground: presence seems there, every bit is 0
        self._listening = []

    def reset(self):
        if self.shorted:  # for the chips one long reset pulse: they hear nothing else
            for chip in self.chips:
                chip.reset()
            self._listening = []
            return True
        for chip in self.chips:
            chip.reset()
        self._listening = list(self.chips)
        return bool(self.chips)

    def write_byte(self, value):
        asleep = False
        for chip in self._listening:
            chip.write_byte(value)
            asleep = asleep or not chip.listens()
        if asleep:
            self._forget_sleepers()

    def read_byte(self):
        value = 0x00 if self.shorted else 0xFF
        for chip in self._listening:
            value &= chip.read_byte()
        return value

    def write_bit(self, bit):
        asleep = False
        for chip in self._listening:
            chip.write_bit(bit)
            asleep = asleep or not chip.listens()
        if asleep:
            self._forget_sleepers()

    def read_bit(self):
        bit = 0 if self.shorted else 1
        for chip in self._listening:
            bit &= chip.read_bit()
        return bit

    def _forget_sleepers(self):
        self._listening = [chip for chip in self._listening if chip.listens()]


class OneWire:
    """onewire.OneWire of MicroPython."""

    SEARCH_ROM = _SEARCH_ROM
    MATCH_ROM = _MATCH_ROM
    SKIP_ROM = SKIP_ROM

    clock = None  # set by the board before the firmware starts
    wires_by_pin: dict = {}

    def __init__(self, pin):
        self.pin = pin
        self._wire = self.wires_by_pin.get(pin_number(pin)) or Wire()
        self._advance = self.clock.advance

    def reset(self, required=False):
        self._advance(_RESET_US)
        present = self._wire.reset()
        if required and not present:
            raise OneWireError
        return present

    def readbit(self):
        self._advance(_BIT_US)
        return self._wire.read_bit()

    def readbyte(self):
        self._advance(_BYTE_US)
        return self._wire.read_byte()

    def readinto(self, buf):
        for index in range(len(buf)):
            self._advance(_BYTE_US)
            buf[index] = self._wire.read_byte()

    def writebit(self, value, powerpin=None):
        self._advance(_BIT_US)
        self._wire.write_bit(1 if value else 0)

    def writebyte(self, value, powerpin=None):
        self._advance(_BYTE_US)
        self._wire.write_byte(value)

    def write(self, buf):
        for value in buf:
            self._advance(_BYTE_US)
            self._wire.write_byte(value)

    def select_rom(self, rom):
        self.reset()
        self.writebyte(_MATCH_ROM)
        self.write(rom)

    def crc8(self, data):
        return crc8(data)

    def scan(self):
        """ROM codes of all chips on the wire, each a bytearray of eight; after 255 passes it gives up."""
        found = []
        previous, last_fork = None, -1
        for _ in range(_PASSES_MAX):
            rom, fork = self._search(previous, last_fork)
            if rom is None:
                return found
            found.append(rom)
            if fork < 0:
                return found
            previous, last_fork = rom, fork
        return found

    def _search(self, previous, last_fork):
        """One pass of the search: take the 1 branch at the last fork of the pass before, the same way above it.

        Gives the ROM and the last position where the 0 branch was taken although there is a 1 branch (-1: none).
        """
        if not self.reset():
            return None, -1
        self.writebyte(_SEARCH_ROM)
        rom = bytearray(8)
        fork = -1
        for index in range(64):
            bit = self.readbit()
            complement = self.readbit()
            if bit and complement:  # nobody is left
                return None, -1
            if not bit and not complement:
                if index == last_fork:
                    bit = 1
                elif index < last_fork:
                    bit = previous[index >> 3] >> (index & 7) & 1
                if not bit:
                    fork = index
            self.writebit(bit)
            rom[index >> 3] |= bit << (index & 7)
        return rom, fork

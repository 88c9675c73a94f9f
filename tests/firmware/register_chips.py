"""BME280, TMP117 and INA226 as plain registers on one bus, for the flight computer under a locked heap: no allocation.

They are as simple as can be; what the chips refuse is tested on the virtual ones (tests/simulator).
"""

import struct

EXAMPLE = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)  # the data sheet's, T1 to P9
ADC_P, ADC_T = 415148, 519888  # and its words


class ByteChip:
    """Registers of one byte that count up in a transfer: BMP280, BME280."""

    def __init__(self, chip_id=0x60):
        self.answers = True
        self.registers = bytearray(256)
        struct.pack_into("<HhhHhhhhhhhh", self.registers, 0x88, *EXAMPLE)
        struct.pack_into("<BhBBBBB", self.registers, 0xE0, 0, 362, 0, 19, 0x29, 3, 30)
        self.registers[0xA1] = 75
        self.registers[0xD0] = chip_id
        self.pointer = 0
        self.next_noise = 0

    def command(self, buf):
        self.pointer = buf[0]
        for place in range(0, len(buf) - 1, 2):
            self.store(buf[place], buf[place + 1])

    def store(self, register, value):
        if register == 0xF4 and value & 3:
            value &= 0xFC
            self.next_noise = (self.next_noise + 37) & 63
            self._put(0xF7, ADC_P + self.next_noise)
            self._put(0xFA, ADC_T + (self.next_noise & 16))
            struct.pack_into(">H", self.registers, 0xFD, 30000)
        if register != 0xD0 and register != 0xE0:
            self.registers[register] = value

    def _put(self, register, word):
        registers = self.registers
        registers[register] = word >> 12
        registers[register + 1] = word >> 4 & 0xFF
        registers[register + 2] = word << 4 & 0xF0

    def read(self, register, buf):
        for place in range(len(buf)):
            buf[place] = self.registers[register + place & 0xFF]

    def write(self, register, buf):
        self.store(register, buf[0])


class WordChip:
    """Registers of two bytes: `words` by register, a bytearray of 512."""

    def __init__(self):
        self.answers = True
        self.words = bytearray(512)
        self.next_noise = 0

    def put(self, register, word):
        struct.pack_into(">H", self.words, 2 * register, word)

    def read(self, register, buf):
        buf[0] = self.words[2 * register]
        buf[1] = self.words[2 * register + 1]

    def write(self, register, buf):
        self.words[2 * register] = buf[0]
        self.words[2 * register + 1] = buf[1]


class Thermometer(WordChip):
    """TMP117: a one-shot conversion is over at once."""

    def __init__(self, raw):
        WordChip.__init__(self)
        self.raw = raw
        self.put(0x0F, 0x0117)
        self.put(0x05, 0x0102)
        self.put(0x06, 0x0304)
        self.put(0x08, 0x0506)
        self.put(1, 0x0220)

    def write(self, register, buf):
        if register != 1:
            return
        value = buf[0] << 8 | buf[1]
        if value == 2:
            self.put(1, 0x0220)
        elif value == 0x0C20:
            self.put(1, 0x2420)
            self.next_noise = (self.next_noise + 1) & 1
            self.put(0, (self.raw + self.next_noise) & 0xFFFF)
        else:
            self.put(1, value)


class PowerMeter(WordChip):
    """INA226: a pair is always ready."""

    def __init__(self):
        WordChip.__init__(self)
        self.put(0xFE, 0x5449)
        self.put(0xFF, 0x2260)
        self.put(6, 8)
        self.put(2, 4000)

    def read(self, register, buf):
        if register == 1:
            self.next_noise = (self.next_noise + 1) & 7
            self.put(1, 4000 + self.next_noise)
        WordChip.read(self, register, buf)


class Bus:
    """Chips by address; one that is not there or does not answer is OSError(5), as on the board."""

    def __init__(self, chips):
        self.chips = chips
        self._error = OSError(5)

    def _chip(self, address):
        chip = self.chips.get(address)
        if chip is None or not chip.answers:
            raise self._error
        return chip

    def writeto(self, address, buf):
        self._chip(address).command(buf)

    def readfrom_into(self, address, buf):
        chip = self._chip(address)
        chip.read(chip.pointer, buf)

    def readfrom_mem_into(self, address, register, buf):
        self._chip(address).read(register, buf)

    def writeto_mem(self, address, register, buf):
        self._chip(address).write(register, buf)

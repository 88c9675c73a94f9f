"""A small board for tests of the flight computer, on both Pythons: virtual time, chips that answer, a card in memory.

Simple where the simulator is thorough, and free of allocation once it is made, so that whole turns of the loop can run
with MicroPython's heap locked.
"""

import struct

TICKS_PERIOD = 2**30  # where a board's millisecond counter wraps around
_TICKS_MASK = 0x3FFFFFFF  # the period itself would be a big integer on 32 bits


class Stop(BaseException):
    """The test has seen enough. Not an Exception, because the firmware survives those."""


class VirtualTime:
    """Time that passes only in sleep_ms(), with a tick counter that wraps like a board's."""

    def __init__(self, ticks=0):
        self._first = ticks
        self.ms = 0
        self.stop_ms = -1

    def ticks_ms(self):
        return self._first + self.ms & _TICKS_MASK

    def ticks_diff(self, end, start):
        apart = end - start & _TICKS_MASK
        return apart if apart <= _TICKS_MASK >> 1 else apart - _TICKS_MASK - 1

    def sleep_ms(self, ms):
        assert ms >= 0
        self.ms += ms
        if 0 <= self.stop_ms <= self.ms:
            raise Stop


def prom_crc4(words):
    """CRC-4 over a PROM (application note AN520), its own four bits taken as 0."""
    remainder = 0
    for index in range(16):
        word = words[index // 2] & (0xFF00 if index > 13 else 0xFFFF)
        remainder ^= word & 0xFF if index & 1 else word >> 8
        for _ in range(8):
            remainder = (remainder << 1 ^ (0x3000 if remainder & 0x8000 else 0)) & 0xFFFF
    return remainder >> 12


class Barometer:
    """MS5611 by its commands. `d1` and `d2` are what the next conversions give."""

    ADDRESS = 0x77
    # the data sheet's example (its C1 to C6, D1, D2: 20.07 degC, 1000.09 hPa)
    PROM = (0, 40127, 36924, 23317, 23282, 33464, 28312, 0)

    def __init__(self, time):
        self._time = time
        self.d1 = 9085466
        self.d2 = 8569150
        self.answers = True
        self.prom = list(self.PROM)
        self.prom[7] = prom_crc4(self.prom)
        self._word = 0
        self._command = 0
        self._done_ms = 0
        self.resets = 0
        self.early_reads = 0
        self._conversions = 0  # every other of each kind gives one more: a live chip's words differ
        self.is_frozen = False

    def command(self, command):
        if command == 0x1E:
            self.resets += 1
        elif 0xA0 <= command <= 0xAE:
            self._word = (command - 0xA0) // 2
        elif command in (0x48, 0x58):
            self._done_ms = self._time.ms + 10
        elif command == 0:
            command = self._command
            self._command = 0
            self._reading = command
            return
        else:
            raise AssertionError("no such command")
        self._command = command

    def answer(self, buf):
        if len(buf) == 2:
            struct.pack_into(">H", buf, 0, self.prom[self._word])
            return
        value = 0
        if self._reading and self._time.ms < self._done_ms:
            self.early_reads += 1
        elif self._reading:
            if not self.is_frozen:
                self._conversions += 1
            value = self.d1 if self._reading == 0x48 else self.d2
            if value:
                value += self._conversions >> 1 & 1
        buf[0] = value >> 16
        buf[1] = value >> 8 & 0xFF
        buf[2] = value & 0xFF


class PowerMeter:
    """INA219 by its registers."""

    ADDRESS = 0x40

    def __init__(self):
        self.answers = True
        self.registers = [0x399F, 1234, 0x2EE2, 0, 0, 0]

    def read(self, register, buf):
        struct.pack_into(">H", buf, 0, self.registers[register])

    def write(self, register, buf):
        self.registers[register] = buf[0] << 8 | buf[1]


class I2C:
    """Both chips on one bus; one that does not answer is OSError(5), as on the board."""

    def __init__(self, barometer, power_meter):
        self._barometer = barometer
        self._meter = power_meter
        self._error = OSError(5)

    def _check(self, chip, address):
        if address != chip.ADDRESS or not chip.answers:
            raise self._error

    def writeto(self, address, buf):
        self._check(self._barometer, address)
        self._barometer.command(buf[0])

    def readfrom_into(self, address, buf):
        self._check(self._barometer, address)
        self._barometer.answer(buf)

    def readfrom_mem_into(self, address, register, buf):
        self._check(self._meter, address)
        self._meter.read(register, buf)

    def writeto_mem(self, address, register, buf):
        self._check(self._meter, address)
        self._meter.write(register, buf)


def crc8(data):
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
    return crc


def rom(serial):
    body = b"\x28" + struct.pack("<I", serial) + b"\x00\x00"
    return body + bytes([crc8(body)])


class Wire:
    """1-wire bus with thermometers. `raws` by ROM; a ROM in `silent` does not answer."""

    def __init__(self, time, roms, raws):
        self._time = time
        self.roms = list(roms)
        self.raws = raws  # list, same order
        self.silent = []
        self.is_shorted = False
        self._pads = [bytearray(9) for _ in roms]
        self._chosen = -1
        self._ready_ms = -1
        self.early_reads = 0
        for number in range(len(roms)):
            self._store(number, 0x0550)

    def _store(self, number, raw):
        pad = self._pads[number]
        struct.pack_into("<hBBBBBB", pad, 0, raw, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10)
        crc = 0
        for place in range(8):
            crc ^= pad[place]
            for _ in range(8):
                crc = crc >> 1 ^ 0x8C if crc & 1 else crc >> 1
        pad[8] = crc

    def scan(self):
        return [bytearray(rom) for rom in self.roms if rom not in self.silent]

    def reset(self, required=False):
        self._chosen = -1
        return self.is_shorted or len(self.roms) > len(self.silent)

    def readbit(self):
        return 0 if self.is_shorted else 1

    def write(self, rom):
        """The ROM code behind MATCH ROM."""
        self._chosen = -1
        for number in range(len(self.roms)):
            if self.roms[number] == rom and rom not in self.silent:
                self._chosen = number

    def writebyte(self, value):
        if value == 0x44:
            self._ready_ms = self._time.ms + 750
            for number in range(len(self.roms)):
                self._store(number, self.raws[number])
        elif value == 0xBE:
            if self._time.ms < self._ready_ms:
                self.early_reads += 1
        elif value not in (0xCC, 0x55):
            raise AssertionError("no such command")

    def readinto(self, buf):
        if self.is_shorted:
            for place in range(len(buf)):
                buf[place] = 0
        elif self._chosen < 0:
            for place in range(len(buf)):
                buf[place] = 0xFF
        else:
            struct.pack_into("<9s", buf, 0, self._pads[self._chosen])


def sentence(body):
    check = 0
    for byte in body.encode():
        check ^= byte
    return b"$" + body.encode() + b"*" + b"%02X" % check + b"\r\n"


class Uart:
    """A receiver that says RMC, GGA and GSA once a second at 9600 baud, and hears nothing."""

    def __init__(self, time, seconds=60):
        self._time = time
        self.bursts = []
        for second in range(seconds):
            clock = f"12{second // 60:02d}{second % 60:02d}.00"
            self.bursts.append(
                sentence("GNRMC," + clock + ",A,4807.03800,N,01131.00000,E,1.0,90.0,210625,,,A")
                + sentence("GNGGA," + clock + ",4807.03800,N,01131.00000,E,1,08,0.9,545.4,M,46.9,M,,")
                + sentence("GNGSA,A,3,01,02,03,04,05,06,07,08,,,,,1.5,0.9,1.2")
            )
        self.talks = True
        self._burst = 0
        self._taken = 0

    def any(self):
        second = self._time.ms // 1000
        if second != self._burst:
            self._burst = second
            self._taken = 0
        size = len(self.bursts[second % len(self.bursts)])
        return min(self._time.ms % 1000, size) - self._taken if self.talks else 0

    def readinto(self, buf, nbytes):
        burst = self.bursts[self._burst % len(self.bursts)]
        at = self._taken
        for place in range(nbytes):
            buf[place] = burst[at + place]
        self._taken = at + nbytes
        return nbytes

    def write(self, buf):
        return len(buf)

    def init(self, baudrate=0):
        pass


class Adc:
    def __init__(self):
        self.raw = 40000

    def set(self, raw):
        self.raw = raw

    def read_u16(self):
        return self.raw


class Pin:
    def __init__(self):
        self.changes = 0
        self.value = 0

    def __call__(self, value):
        if value != self.value:
            self.value = value
            self.changes += 1


class Boots:
    """The power-up counter without a flash."""

    def __init__(self, count=1):
        self.count = count
        self.saved = True

    def at_least(self, count):
        self.count = max(self.count, count)
        return self.count


class NoFlash:
    """A board's flash that can't be read."""

    def names(self):
        raise OSError(5)


class FakeBoard:
    """What FlightComputer wants of firmware.board.Board."""

    def __init__(self, storage, ticks=0, flash=None):
        self.time = VirtualTime(ticks)
        self.ticks_ms = self.time.ticks_ms
        self.ticks_diff = self.time.ticks_diff
        self.sleep_ms = self.time.sleep_ms
        self.barometer = Barometer(self.time)
        self.power_meter = PowerMeter()
        self.i2c = I2C(self.barometer, self.power_meter)
        self.onewire = Wire(self.time, [rom(1), rom(2)], [-320, 160])
        self.uart = Uart(self.time)
        self.battery = Adc()
        self.led = Pin()
        self.sounder = Pin()
        self.storage = storage
        self.flash = flash or NoFlash()
        self.fed = 0

    def feed(self):
        self.fed += 1

    def unique_id(self):
        return b"\x01\x02\x03\x04\x05\x06\x07\x08"

"""Barometer MS5611-01BA03 at its I2C registers (TE Connectivity data sheet ENG_DS_MS5611-01BA03, from memory).

The chip converts what it measures into two raw words, D1 (pressure) and D2 (temperature); the host turns them back
with the six calibration words of the PROM. Here the data sheet's host formula, second order included, is inverted
exactly, so a correct host reads the pressure of the world plus what this specimen gets wrong.

Error of a specimen (`stated_error`): the data sheet says +-1.5 mbar and +-0.8 degC at 25 degC and 750 mbar, and
+-2.5 mbar and +-2.0 degC over 450..1100 mbar and -20..+85 degC. The seed picks one offset of each within +-1.0 mbar
and +-0.8 degC, constant over the flight, so that half the band is left to what an offset does not show. The
scenario's own offset comes on top. Noise: the data sheet's resolution (RMS) at each oversampling ratio.

Strict where the real chip shrugs: an unknown command, a PROM read before the reset sequence, a command while the
PROM reloads, an ADC read without or before the end of a conversion, a second read of the same result. Each is noted
in the ledger; the firmware gets what the data sheet says, that is 0, or no acknowledge while the chip is reloading.
"""

import math

from ground.simulator.board.noise import Noise

_RESET = 0x1E
_READ_ADC = 0x00
_RELOAD_US = 2800  # PROM reload after the reset sequence
_CONVERSION_US = (600, 1170, 2280, 4540, 9040)  # maximum for OSR 256, 512, 1024, 2048, 4096: a host must wait for it
_PRESSURE_NOISE = (5.42, 3.50, 2.25, 1.50, 1.0)  # RMS of each OSR in units of the RMS at 4096: 0.065 ... 0.012 mbar
_TEMPERATURE_NOISE_C = (0.012, 0.008, 0.005, 0.003, 0.002)  # RMS of each OSR
_TYPICAL_PROM = (40127, 36924, 23317, 23282, 33464, 28312)  # the data sheet's example specimen
_PROM_SPREAD = 0.04  # specimens differ by about so much (an assumption; small enough for every D1 to fit 24 bits)
_EIO = 5

stated_error = {"pressure_hpa": 2.5, "temperature_c": 2.0, "offset_hpa": 1.0, "offset_c": 0.8}


class VirtualMs5611:
    """One barometer on an I2C bus.

    Parameters
    ----------
    clock, source, ledger
        World time, the quantities and the book of objections.
    seed, name : int, str
        Decide calibration words, offset and noise.
    pressure, temperature : str
        Columns of the source: static pressure [hPa] and the chip's own temperature [degC].
    offset_pa : float
        Error of this specimen beyond the seeded one. [Pa]
    noise_pa : float
        Standard deviation of one pressure conversion at OSR 4096. [Pa]
    ideal : bool
        No seeded offset and no noise: for tests that compare exact numbers.
    """

    def __init__(self, clock, source, ledger, seed=0, name="pressure", pressure="pressure_hpa", temperature="box_c",
                 offset_pa=0.0, noise_pa=1.2, ideal=False, boot=1):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._pressure_column = source.column(pressure)
        self._temperature_column = source.column(temperature)
        specimen = Noise(seed, "ms5611/" + name)
        words = [0x0000] + [int(word * specimen.uniform(1 - _PROM_SPREAD, 1 + _PROM_SPREAD)) for word in _TYPICAL_PROM]
        self.offset_hpa = 0.0 if ideal else specimen.uniform(-stated_error["offset_hpa"], stated_error["offset_hpa"])
        self.offset_c = 0.0 if ideal else specimen.uniform(-stated_error["offset_c"], stated_error["offset_c"])
        self.offset_hpa += offset_pa / 100
        self._noise_pa = 0.0 if ideal else noise_pa
        self._noise_share = 0.0 if ideal else 1.0
        self._noise = Noise(seed, "ms5611/%s/boot%d" % (name, boot))
        self.set_prom(words + [specimen.bits32() & 0xFFF0])
        self._answer = bytearray(3)
        self.late_us = 0  # bench door: each conversion takes so much longer than the data sheet allows
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def set_prom(self, words):
        """Put eight PROM words into the chip (word 0 factory, 1 to 6 = C1 to C6, 7 serial); the CRC-4 is added."""
        self.prom = list(words)
        self.prom[7] = self.prom[7] & 0xFFF0 | crc4(self.prom)
        _, c1, c2, c3, c4, c5, c6, _ = self.prom
        self._sens_t1, self._off_t1, self._tcs, self._tco = c1 << 15, c2 << 16, c3 / 256, c4 / 128
        self._t_ref, self._tempsens = c5 << 8, c6 / 8388608

    def power_on(self):
        """Supply applied: nothing converted, PROM not loaded until the reset sequence."""
        self._prom_loaded = False
        self._ready_us = 0
        self._result = None  # finished or running conversion, None once read
        self._done_us = 0
        self._answer_length = 0

    def save(self):
        return {"loaded": self._prom_loaded, "ready_us": self._ready_us}

    def restore(self, state):
        self._prom_loaded = state["loaded"]
        self._ready_us = state["ready_us"]

    def specimen(self):
        """What this specimen gets wrong, for the flight's notes and the tests."""
        return {"chip": "ms5611", "name": self.name, "offset_hpa": self.offset_hpa, "offset_c": self.offset_c,
                "prom": self.prom}

    # --- bus door --------------------------------------------------------------------------------------------

    def write(self, data):
        if len(data) != 1:
            if len(data):
                self._object("%d bytes written; a command is one byte" % len(data))
            return
        command = data[0]
        now_us = self._clock.now_us
        if now_us < self._ready_us:
            self._object("command 0x%02X while the PROM is being reloaded after a reset" % command)
            raise OSError(_EIO)
        if command == _READ_ADC:
            self._read_adc(now_us)
        elif 0x40 <= command <= 0x58 and command & 1 == 0 and command & 0x0F <= 8:
            self._convert(command, now_us)
        elif 0xA0 <= command <= 0xAE and command & 1 == 0:
            self._read_prom(command, now_us)
        elif command == _RESET:
            self._prom_loaded = True
            self._ready_us = now_us + _RELOAD_US
            self._result = None
            self._answer_length = 0
        else:
            self._object("unknown command 0x%02X" % command)
            self._answer_length = 0

    def read_into(self, buf):
        length = len(buf)
        if self._clock.now_us < self._ready_us:
            self._object("read while the PROM is being reloaded after a reset")
            raise OSError(_EIO)
        if self._answer_length == 0:
            self._object("read without a PROM or ADC read command before it")
        elif length > self._answer_length or (length < self._answer_length and self._answer_length == 3):
            self._object("%d bytes read where the chip sends %d" % (length, self._answer_length))
        answer = self._answer
        for index in range(length):
            buf[index] = answer[index] if index < self._answer_length else 0
        self._answer_length = 0

    def _object(self, what):
        self._ledger.object(self.name, what)

    def _read_prom(self, command, now_us):
        if self._result is not None and now_us < self._done_us:
            self._object("PROM read during a conversion")
        word = self.prom[command - 0xA0 >> 1]
        if not self._prom_loaded:
            self._object("PROM read before the reset sequence")
            word = 0
        self._set_answer(word << 8, 2)

    def _read_adc(self, now_us):
        value = 0
        if self._result is None:
            self._object("ADC read without a conversion")
        elif now_us < self._done_us:
            self._object("ADC read %d us before the end of the conversion" % (self._done_us - now_us))
            self._result ^= 0x155555  # "the final result will be wrong"
        else:
            value = self._result
            self._result = None
        self._set_answer(value, 3)

    def _set_answer(self, value, length):
        answer = self._answer
        answer[0] = value >> 16
        answer[1] = value >> 8 & 0xFF
        answer[2] = value & 0xFF
        self._answer_length = length

    def _convert(self, command, now_us):
        if self._result is not None and now_us < self._done_us:
            self._object("a conversion was started during another one")
        rate = (command & 0x0F) >> 1
        self._done_us = now_us + _CONVERSION_US[rate] + self.late_us
        self._answer_length = 0
        celsius = self._source.at(self._temperature_column, now_us) + self.offset_c
        dt = self._temperature_difference(celsius)
        if command & 0x10:
            if self._noise_share:
                dt += self._noise.gauss() * _TEMPERATURE_NOISE_C[rate] * 100 / self._tempsens
            self._result = _to_24_bits(dt + self._t_ref)
            return
        pascal = (self._source.at(self._pressure_column, now_us) + self.offset_hpa) * 100
        if self._noise_pa:
            pascal += self._noise.gauss() * self._noise_pa * _PRESSURE_NOISE[rate]
        self._result = _to_24_bits(self._d1(pascal, dt))

    # --- the data sheet's formulas, solved for the raw words ---------------------------------------------------

    def _temperature_difference(self, celsius):
        """dT = D2 - C5 * 2**8 of a temperature. Below 20 degC the second order makes it a quadratic equation."""
        above = celsius * 100 - 2000  # 0.01 degC above 20 degC
        slope = self._tempsens
        if above >= 0:
            return above / slope
        return 1073741824 * (slope - math.sqrt(slope * slope - above / 536870912))

    def _d1(self, pascal, dt):
        """Raw pressure word: P = (D1 * SENS / 2**21 - OFF) / 2**15, with the second-order corrections."""
        offset = self._off_t1 + self._tco * dt
        sensitivity = self._sens_t1 + self._tcs * dt
        above = dt * self._tempsens  # first-order TEMP - 2000
        if above < 0:
            square = above * above
            offset -= 2.5 * square
            sensitivity -= 1.25 * square
            if above < -3500:  # the "very low temperature" test looks at the first-order TEMP
                square = (above + 3500) * (above + 3500)
                offset -= 7 * square
                sensitivity -= 5.5 * square
        return (pascal * 32768 + offset) * 2097152 / sensitivity


def crc4(prom):
    """CRC-4 over the eight PROM words with the CRC's own nibble taken as zero (application note AN520)."""
    remainder = 0
    for index in range(16):
        word = prom[index >> 1] if index < 14 else prom[7] & 0xFF00
        remainder ^= word & 0xFF if index & 1 else word >> 8
        for _ in range(8):
            remainder = (remainder << 1 ^ 0x3000) & 0xFFFF if remainder & 0x8000 else remainder << 1
    return remainder >> 12 & 0xF


def _to_24_bits(value):
    return max(0, min(0xFFFFFF, int(value + 0.5)))

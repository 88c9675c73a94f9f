"""Barometers BMP280 and BME280 at their I2C registers (Bosch data sheets BST-BMP280-DS001 and BST-BME280-DS002, from
memory).

What is measured becomes raw words by the data sheet's host formula in double precision, solved for the words, so that a
correct host reads the world plus what this specimen gets wrong.

Error of a specimen (`stated_error`): +-1.0 hPa from 300 to 1100 hPa and 0 to 65 degC, +-1.7 hPa down to -20 degC,
+-1.0 degC, humidity +-3 %. The seed picks constant offsets within +-0.7 hPa, +-0.5 degC and +-2 %. Below 300 hPa
nothing is stated; the seed adds an error that grows in proportion to what is missing, up to +-2 hPa in a vacuum (an
assumption: parts go on working there, and nobody says how well). Noise: RMS of the data sheet at each oversampling,
filter off. Resolution: 16 bits at oversampling x1, one more for each doubling, 20 with the filter on (3.3.1, 3.3.2).
Time: the longest (3.8.1), which a host has to wait for.

Strict where the real chip shrugs: an unknown register, a write to a read-only one, a word without its register, data
read during or before the first measurement, config written while measuring or in normal mode (4.3.4: "may be
ignored": here it is), a measurement begun during another, a transfer while the chip starts after a soft reset. Each
is noted in the ledger.
"""

import math

from ground.simulator.board.chips.bench_door import BenchDoor
from ground.simulator.board.noise import Noise

_ID, _RESET, _CTRL_HUM, _STATUS, _CTRL_MEAS, _CONFIG, _DATA = 0xD0, 0xE0, 0xF2, 0xF3, 0xF4, 0xF5, 0xF7
_START_UP_US = 2000
_NEVER = 0x80000
_HUMIDITY_NEVER = 0x8000
_TIMES = (0, 1, 2, 4, 8, 16, 16, 16)  # samples of an oversampling code
_NOISE_PA = (0.0, 3.3, 2.6, 2.1, 1.6, 1.3, 1.3, 1.3)
_NOISE_C = 0.005
_NOISE_HUMIDITY = 0.02
_STANDBY_US = (500, 62500, 125000, 250000, 500000, 1000000, 2000000, 4000000)
_STANDBY_US_BME280 = (500, 62500, 125000, 250000, 500000, 1000000, 10000, 20000)
_EXAMPLE = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)  # the data sheet's (3.12)
_HUMIDITY_EXAMPLE = (75, 362, 0, 313, 50, 30)  # H1 to H6, made up
_SPREAD = 0.01  # specimens differ by about so much (an assumption; small enough for every word to fit 20 bits)
_EIO = 5

stated_error = {
    "pressure_hpa": 1.7,
    "temperature_c": 1.0,
    "humidity_pct": 3.0,
    "offset_hpa": 0.7,
    "offset_c": 0.5,
    "offset_pct": 2.0,
    "vacuum_hpa": 2.0,
}


class VirtualBmp280(BenchDoor):
    """One barometer.

    Parameters
    ----------
    pressure, temperature, humidity : str
        Columns of the source: static pressure [hPa], the chip's own temperature [degC], relative humidity [%].
    offset_pa : float
        Error of this specimen beyond the seeded one. [Pa]
    noise_pa : float
        Standard deviation of a pressure word at oversampling x16. [Pa]
    ideal : bool
        No seeded error and no noise: for tests that compare exact numbers.
    calibration, humidity_calibration : sequence of 12 and 6 int, optional
        Instead of the seeded words.
    """

    chip_id = 0x58
    kind = "bmp280"
    has_humidity = False

    def __init__(
        self,
        clock,
        source,
        ledger,
        seed=0,
        name="pressure",
        pressure="pressure_hpa",
        temperature="box_c",
        humidity="box_humidity_pct",
        offset_pa=0.0,
        noise_pa=1.3,
        ideal=False,
        boot=1,
        calibration=None,
        humidity_calibration=None,
    ):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._pressure_column = source.column(pressure)
        self._temperature_column = source.column(temperature)
        self._humidity_column = source.column(humidity) if self.has_humidity else None
        specimen = Noise(seed, self.kind + "/" + name)
        self.calibration = list(calibration or [
            int(word * specimen.uniform(1 - _SPREAD, 1 + _SPREAD)) for word in _EXAMPLE
        ])  # fmt: skip
        self.humidity_calibration = list(humidity_calibration or _HUMIDITY_EXAMPLE)
        error = stated_error
        self.offset_hpa = specimen.uniform(-error["offset_hpa"], error["offset_hpa"])
        self.offset_c = specimen.uniform(-error["offset_c"], error["offset_c"])
        self.offset_pct = specimen.uniform(-error["offset_pct"], error["offset_pct"])
        self.vacuum_hpa = specimen.uniform(-error["vacuum_hpa"], error["vacuum_hpa"])
        if ideal:
            self.offset_hpa = self.offset_c = self.offset_pct = self.vacuum_hpa = 0.0
        self.offset_hpa += offset_pa / 100
        self._noise_share = noise_pa / _NOISE_PA[5]
        self._noise = None if ideal else Noise(seed, "%s/%s/boot%d" % (self.kind, name, boot))
        self._fixed = {_ID: self.chip_id, _RESET: 0}
        self._lay_out_calibration()
        self.open_door()
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def power_on(self):
        self._restart(False)

    def save(self):
        return {"ctrl_hum": self._ctrl_hum, "ctrl_meas": self._ctrl_meas & 0xFC, "config": self._config}

    def restore(self, state):
        self._ctrl_hum = self._humidity_code = state["ctrl_hum"]
        self._ctrl_meas = state["ctrl_meas"]
        self._config = state["config"]
        self._ready_us = 0

    def specimen(self):
        return {
            "chip": self.kind,
            "name": self.name,
            "offset_hpa": self.offset_hpa,
            "offset_c": self.offset_c,
            "offset_pct": self.offset_pct,
            "vacuum_hpa": self.vacuum_hpa,
            "calibration": self.calibration,
        }

    # --- bus door --------------------------------------------------------------------------------------------

    def _write(self, data):
        self._awake()
        if len(data) == 0:
            return
        self._pointer = data[0]
        if len(data) == 1:
            return
        if len(data) & 1:
            self._object("%d bytes written; registers and values come in pairs" % len(data))
        for place in range(0, len(data) - 1, 2):
            self._store(data[place], data[place + 1])

    def _read_into(self, buf):
        self._awake()
        self._settle()
        pointer = self._pointer
        if pointer == _DATA and len(buf) >= 6:  # the usual burst, without asking register by register
            self._pack_words(buf)
            for place in range(6, len(buf)):
                buf[place] = self._register(pointer + place)
        else:
            for place in range(len(buf)):
                buf[place] = self._register(pointer + place)
        if pointer + len(buf) > _DATA:
            if self._is_measuring:
                self._object("data read during a measurement")
            elif self._words[1] == _NEVER and self._words[0] == _NEVER:
                self._object("data read before the first measurement")

    def _pack_words(self, buf):
        """Pressure and temperature, 20 bits each, high byte first, low four bits 0 (table 18)."""
        pressure, temperature, _ = self._words
        buf[0] = pressure >> 12
        buf[1] = pressure >> 4 & 0xFF
        buf[2] = pressure << 4 & 0xF0
        buf[3] = temperature >> 12
        buf[4] = temperature >> 4 & 0xFF
        buf[5] = temperature << 4 & 0xF0

    def _awake(self):
        if self._clock.now_us < self._ready_us:
            if self._is_soft_reset:
                self._object("a transfer while the chip starts after a soft reset")
            raise OSError(_EIO)

    def _register(self, address):
        if address == _STATUS:
            return 0x08 if self._is_measuring else 0
        if address == _CTRL_MEAS:
            return self._ctrl_meas
        if address == _CONFIG:
            return self._config
        if address in self._fixed:
            return self._fixed[address]
        if _DATA <= address <= 0xFC:
            word = self._words[(address - _DATA) // 3]
            return (word >> 12, word >> 4 & 0xFF, word << 4 & 0xF0)[(address - _DATA) % 3]
        if self.has_humidity:
            if address == _CTRL_HUM:
                return self._ctrl_hum
            if address == 0xFD:
                return self._words[2] >> 8
            if address == 0xFE:
                return self._words[2] & 0xFF
        self._object("unknown register 0x%02X read" % address)
        return 0

    def _store(self, address, value):
        self._settle()
        if address == _CTRL_MEAS:
            if self._is_measuring:
                self._object("a measurement was begun during another one")
            self._ctrl_meas = value
            self._humidity_code = self._ctrl_hum & 7  # a change of ctrl_hum takes effect now (BME280, 5.4.3)
            self._begin(self._clock.now_us)
        elif address == _CTRL_HUM and self.has_humidity:
            self._ctrl_hum = value & 7
        elif address == _CONFIG:
            if self._is_measuring or self._ctrl_meas & 3 == 3:
                self._object("config written while the chip measures: ignored")
            else:
                self._config = value & 0xFD
                self._is_filter_empty = True
        elif address == _RESET:
            if value == 0xB6:
                self._restart(True)
        else:
            self._object("write to register 0x%02X, which is unknown or read only" % address)

    # --- measuring -------------------------------------------------------------------------------------------

    def _restart(self, is_soft_reset):
        self._is_soft_reset = is_soft_reset
        self._ready_us = self._clock.now_us + _START_UP_US
        self._pointer = 0
        self._ctrl_hum = self._humidity_code = self._ctrl_meas = self._config = 0
        self._words = [_NEVER, _NEVER, _HUMIDITY_NEVER]
        self._is_active = self._is_measuring = False
        self._is_filter_empty = True

    def _duration_us(self):
        ctrl = self._ctrl_meas
        duration = 1250 + 2300 * _TIMES[ctrl >> 5]
        if ctrl >> 2 & 7:
            duration += 2300 * _TIMES[ctrl >> 2 & 7] + 575
        if self._humidity_code and self.has_humidity:
            duration += 2300 * _TIMES[self._humidity_code] + 575
        return duration + self.late_us

    def _begin(self, now_us):
        mode = self._ctrl_meas & 3
        self._is_measuring = self._is_active = mode != 0
        self._start_us = now_us
        self._length_us = self._duration_us()
        standby = (_STANDBY_US_BME280 if self.has_humidity else _STANDBY_US)[self._config >> 5]
        self._cycle_us = self._length_us + standby if mode == 3 else 0
        self._done = 0

    def _settle(self):
        """Bring the registers up to now: a forced measurement ends in sleep, normal mode goes on."""
        if not self._is_active:
            return
        into_us = self._clock.now_us - self._start_us
        cycle_us = self._cycle_us
        if cycle_us:
            self._is_measuring = into_us % cycle_us < self._length_us
            done = (into_us - self._length_us) // cycle_us + 1 if into_us >= self._length_us else 0
            if done > self._done:
                self._done = done
                self._measure(self._start_us + (done - 1) * cycle_us)
        elif into_us >= self._length_us:
            self._measure(self._start_us)
            self._is_active = self._is_measuring = False
            self._ctrl_meas &= 0xFC

    def _measure(self, time_us):
        if self.frozen:
            return
        source = self._source
        code_t, code_p = self._ctrl_meas >> 5, self._ctrl_meas >> 2 & 7
        celsius = source.at(self._temperature_column, time_us) + self.offset_c
        adc_t = self._word_of_temperature(celsius + self._draw() * _NOISE_C)
        adc_t = self._quantise(adc_t, code_t)
        t_fine = self._fine(adc_t if code_t else self._word_of_temperature(celsius))
        hpa = source.at(self._pressure_column, time_us)
        hpa += self.offset_hpa + max(0.0, 1 - hpa / 300) * self.vacuum_hpa
        pascal = hpa * 100 + self._draw() * self._noise_share * _NOISE_PA[code_p]
        adc_p = self._quantise(self._word_of_pressure(pascal, t_fine), code_p)
        words = [adc_p if code_p else _NEVER, adc_t if code_t else _NEVER, _HUMIDITY_NEVER]
        if self._humidity_column is not None and self._humidity_code:
            percent = source.at(self._humidity_column, time_us) + self.offset_pct + self._draw() * _NOISE_HUMIDITY
            words[2] = self._word_of_humidity(max(0.0, min(100.0, percent)), t_fine)
        share = (1, 2, 4, 8, 16, 16, 16, 16)[self._config >> 2 & 7]
        if share > 1 and not self._is_filter_empty:
            for place in range(2):
                words[place] = (self._words[place] * (share - 1) + words[place]) // share
        self._is_filter_empty = False
        self._words = words

    def _draw(self):
        return self._noise.gauss() if self._noise is not None else 0.0

    def _quantise(self, word, code):
        """16 bits at x1 and one more for each doubling; all 20 with the filter on."""
        bits_lost = 0 if self._config & 0x1C else max(0, 5 - code)
        size = 1 << min(bits_lost, 4)
        return max(0, min(0x100000 - size, int(word / size + 0.5) * size))

    # --- the data sheet's formulas (double precision), solved for the raw words --------------------------------

    def _fine(self, adc_t):
        t1, t2, t3 = self._heat_words
        above = adc_t / 16384 - t1 / 1024
        return above * t2 + above * above / 64 * t3

    def _word_of_temperature(self, celsius):
        t1, t2, t3 = self._heat_words
        square, t_fine = t3 / 64, celsius * 5120
        root = math.sqrt(max(0.0, t2 * t2 + 4 * square * t_fine))
        return (2 * t_fine / (t2 + root) + t1 / 1024) * 16384

    def _word_of_pressure(self, pascal, t_fine):
        p1, p2, p3, p4, p5, p6, p7, p8, p9 = self._pressure_words
        heat = t_fine / 2 - 64000
        offset = (heat * heat * p6 / 32768 + heat * p5 * 2) / 4 + p4 * 65536
        slope = (1 + (p3 * heat * heat / 524288 + p2 * heat) / 524288 / 32768) * p1
        square, line, constant = p9 / 2147483648 / 16, 1 + p8 / 32768 / 16, p7 / 16 - pascal
        p = -2 * constant / (line + math.sqrt(max(0.0, line * line - 4 * square * constant)))
        return 1048576 - offset / 4096 - p * slope / 6250

    def _word_of_humidity(self, percent, t_fine):
        h1, h2, h3, h4, h5, h6 = self.humidity_calibration
        heat = t_fine - 76800
        bend = h1 / 524288  # percent = x - bend * x * x
        x = 2 * percent / (1 + math.sqrt(max(0.0, 1 - 4 * bend * percent)))
        gain = 1 + h3 / 67108864 * heat
        gain = h2 / 65536 * gain * (1 + h6 / 67108864 * heat * gain)
        return max(0, min(0xFFFF, int(x / gain + h4 * 64 + h5 / 16384 * heat + 0.5)))

    def _lay_out_calibration(self):
        fixed = self._fixed
        self._heat_words = tuple(self.calibration[:3])  # sliced once, for they are wanted at each measurement
        self._pressure_words = tuple(self.calibration[3:])
        for number in range(12):
            fixed[0x88 + 2 * number] = self.calibration[number] & 0xFF
            fixed[0x89 + 2 * number] = self.calibration[number] >> 8 & 0xFF
        fixed[0xA0] = fixed[0xA1] = 0
        if self.has_humidity:
            h1, h2, h3, h4, h5, h6 = self.humidity_calibration
            shared = h4 & 0x0F | h5 << 4 & 0xF0  # E5 holds the low halves of both
            tail = (h2 & 0xFF, h2 >> 8 & 0xFF, h3, h4 >> 4 & 0xFF, shared, h5 >> 4 & 0xFF, h6 & 0xFF)
            fixed[0xA1] = h1
            for place in range(7):
                fixed[0xE1 + place] = tail[place]


class VirtualBme280(VirtualBmp280):
    """The same with a humidity sensor."""

    chip_id = 0x60
    kind = "bme280"
    has_humidity = True

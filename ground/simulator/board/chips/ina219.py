"""Current and voltage monitor INA219 at its I2C registers (Texas Instruments data sheet SBOS448G).

The source gives the true current through the shunt and the true voltage behind it; the chip quantises both, averages
as its configuration says, and works out current and power from its calibration register by the data sheet's integer
formulas (section 8.5.1).

Error of a specimen (`stated_error`, section 6.5, INA219A over temperature): shunt offset +-100 uV at most, current
+-1 %, bus voltage +-1 %. The seed picks an offset within +-50 uV and gains within +-0.5 %. Noise: half a last bit,
less when the chip averages (an assumption; the data sheet gives none).

Strict: an unknown register, a write to a result register, a register transfer of another length than two bytes, a
result read before the first conversion under the present configuration has ended, current or power read without a
calibration. Each is noted; the chip answers with what its register holds.
"""

from ground.simulator.board.noise import Noise

_CONFIG, _SHUNT, _BUS, _POWER, _CURRENT, _CALIBRATION = range(6)
POWER_ON_CONFIG = 0x399F
_RESULT_NAMES = {_SHUNT: "shunt voltage", _BUS: "bus voltage", _POWER: "power", _CURRENT: "current"}
_SINGLE_US = (84, 148, 276, 532)  # one conversion of 9, 10, 11, 12 bits (table 5)
_AVERAGED_US = (532, 1060, 2130, 4260, 8510, 17020, 34050, 68100)  # 1 to 128 samples of 12 bits (table 5)
_EIO = 5

stated_error = {"shunt_uv": 100.0, "current_pct": 1.0, "bus_pct": 1.0, "offset_uv": 50.0, "gain_pct": 0.5}


class VirtualIna219:
    """One monitor.

    Parameters
    ----------
    bus_v, current_ma : str
        Columns of the source: voltage at the load side of the shunt [V] and current through it [mA].
    shunt_ohm : float
        The shunt as marked. [ohm]
    shunt_tolerance_pct : float
        By how much the real shunt is larger. [%]
    """

    def __init__(self, clock, source, ledger, seed=0, name="panel", bus_v="panel_bus_v",
                 current_ma="panel_current_ma", shunt_ohm=0.1, shunt_tolerance_pct=0.0, ideal=False, boot=1):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._bus_column = source.column(bus_v)
        self._current_column = source.column(current_ma)
        self._uv_per_ma = shunt_ohm * 1000 * (1 + shunt_tolerance_pct / 100)
        specimen = Noise(seed, "ina219/" + name)
        offset_uv, gain = stated_error["offset_uv"], stated_error["gain_pct"] / 100
        self.offset_uv = 0.0 if ideal else specimen.uniform(-offset_uv, offset_uv)
        self.shunt_gain = 1.0 if ideal else 1 + specimen.uniform(-gain, gain)
        self.bus_gain = 1.0 if ideal else 1 + specimen.uniform(-gain, gain)
        self._noise = None if ideal else Noise(seed, "ina219/%s/boot%d" % (name, boot))
        self.late_us = 0  # bench door: each pair takes so much longer than the data sheet allows
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def power_on(self):
        self._pointer = _CONFIG
        self._calibration = self._overflow = 0
        self._shunt = self._bus = self._current = self._power = 0
        self._configure(POWER_ON_CONFIG)

    def save(self):
        return {"config": self._config, "calibration": self._calibration, "start_us": self._start_us}

    def restore(self, state):
        self._configure(state["config"])
        self._start_us = state["start_us"]
        self._calibration = state["calibration"]

    def specimen(self):
        return {"chip": "ina219", "name": self.name, "offset_uv": self.offset_uv, "shunt_gain": self.shunt_gain,
                "bus_gain": self.bus_gain}

    # --- bus door --------------------------------------------------------------------------------------------

    def write(self, data):
        length = len(data)
        if length == 0:
            return
        self._pointer = data[0]
        if self._pointer > _CALIBRATION:
            self._object("unknown register 0x%02X" % self._pointer)
        if length == 1:
            return
        if length != 3:
            self._object("%d bytes written to register %d; it holds two" % (length - 1, self._pointer))
            return
        value = data[1] << 8 | data[2]
        if self._pointer == _CONFIG:
            if value & 0x8000:
                self.power_on()
            else:
                self._configure(value)
        elif self._pointer == _CALIBRATION:
            self._settle()
            self._calibration = value & 0xFFFE  # bit 0 is void
            self._compute()
        else:
            self._object("write to register %d, which is read only" % self._pointer)

    def read_into(self, buf):
        pointer = self._pointer
        if pointer > _CALIBRATION:
            raise OSError(_EIO)
        value = self._config
        if pointer == _CALIBRATION:
            value = self._calibration
        elif pointer != _CONFIG:
            value = self._result(pointer)
        length = len(buf)
        if length == 2:
            buf[0] = value >> 8
            buf[1] = value & 0xFF
        elif length == 1:  # a host that only asks whether somebody is there
            buf[0] = value >> 8
        else:
            self._object("%d bytes read from register %d; it holds two" % (length, pointer))
            for index in range(length):
                buf[index] = (value >> 8, value & 0xFF)[index] if index < 2 else 0xFF

    def _object(self, what):
        self._ledger.object(self.name, what)

    def _configure(self, config):
        """A write to the configuration register starts the conversions afresh and clears CNVR."""
        self._config = config
        self._full_scale_uv = 40000 << (config >> 11 & 3)  # PGA /1, /2, /4, /8
        self._bus_steps_max = 8000 if config & 0x2000 else 4000  # 32 V or 16 V
        mode = config & 7
        bus_us, self._bus_bits_lost, self._bus_samples_root = _adc_setting(config >> 7 & 15)
        shunt_us, self._shunt_bits_lost, self._shunt_samples_root = _adc_setting(config >> 3 & 15)
        self._measures_shunt = mode & 3 in (1, 3)
        self._measures_bus = mode & 3 in (2, 3)
        self._continuous = mode >= 5
        self._period_us = (shunt_us if self._measures_shunt else 0) + (bus_us if self._measures_bus else 0)
        self._start_us = self._clock.now_us
        self._conversions = 0
        self._ready = 0

    def _result(self, pointer):
        self._settle()
        if self._conversions == 0 and self._period_us:
            self._object("%s read before the first conversion has ended" % _RESULT_NAMES[pointer])
        if pointer == _SHUNT:
            return self._shunt & 0xFFFF
        if pointer == _BUS:
            return self._bus << 3 | self._ready << 1 | self._overflow
        if self._calibration == 0:
            self._object("%s read without a calibration" % _RESULT_NAMES[pointer])
        if pointer == _CURRENT:
            return self._current & 0xFFFF
        self._ready = 0  # reading power clears CNVR (8.6.3.2)
        return self._power & 0xFFFF

    def _settle(self):
        """Bring the result registers up to the last conversion that has ended."""
        if self._period_us == 0:
            return
        period_us = self._period_us + self.late_us
        count = (self._clock.now_us - self._start_us) // period_us
        if not self._continuous and count > 1:
            count = 1
        if count == self._conversions:
            return
        self._conversions = count
        self._ready = 1
        time_us = self._start_us + count * period_us
        if self._measures_shunt:
            microvolt = self._source.at(self._current_column, time_us) * self._uv_per_ma * self.shunt_gain
            limit = self._full_scale_uv // 10
            self._shunt = self._quantise((microvolt + self.offset_uv) / 10, self._shunt_bits_lost,
                                         self._shunt_samples_root, -limit, limit)
        if self._measures_bus:
            volt = self._source.at(self._bus_column, time_us) * self.bus_gain
            self._bus = self._quantise(volt * 250, self._bus_bits_lost, self._bus_samples_root, 0, self._bus_steps_max)
        self._compute()

    def _quantise(self, steps, bits_lost, samples_root, low, high):
        if self._noise is not None:
            steps += self._noise.gauss() * 0.5 / samples_root
        size = 1 << bits_lost
        steps = int(steps / size + (0.5 if steps >= 0 else -0.5)) * size
        return max(low, min(high, steps))

    def _compute(self):
        """Current and power registers from the calibration (8.5.1); OVF says that one did not fit 16 bits."""
        current = _divide(self._shunt * self._calibration, 4096)
        power = _divide(abs(current) * self._bus, 5000)
        self._overflow = 0 if -32768 <= current <= 32767 and power <= 65535 else 1
        self._current = current
        self._power = power


def _adc_setting(code):
    """Conversion time [us], bits lost of twelve, and root of the number of samples of a 4-bit ADC code (table 5)."""
    if code & 8:
        index = code & 7
        return _AVERAGED_US[index], 0, 2 ** (index / 2)
    return _SINGLE_US[code & 3], 3 - (code & 3), 1.0


def _divide(value, divisor):
    """Division that truncates towards zero, as the chip's multiplier does."""
    return value // divisor if value >= 0 else -(-value // divisor)

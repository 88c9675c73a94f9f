"""Current and voltage monitor INA226 at its I2C registers (Texas Instruments data sheet SBOS547, partly from memory).

The source gives the true current through the shunt and the true voltage behind it; the chip quantises both, averages
as its configuration says, and works out current and power from its calibration register by the data sheet's integer
formulas (7.5.1).

Error of a specimen (`stated_error`, 6.5): shunt offset +-10 uV, bus offset +-7.5 mV, gain of either +-0.1 %. The seed
picks an offset within +-5 uV and +-3 mV and gains within +-0.05 %. Noise: half a last bit, less when the chip
averages (an assumption; the data sheet gives none). Conversions take the longest time stated. The alert pin is not
modelled.

Strict: an unknown register, a write to a read-only one, another length than two bytes, a result read before the first
conversion under the present configuration has ended, current or power read without a calibration. Each is noted; the
chip answers with what its register holds.
"""

from ground.simulator.board.chips.bench_door import BenchDoor
from ground.simulator.board.noise import Noise

_CONFIG, _SHUNT, _BUS, _POWER, _CURRENT, _CALIBRATION, _MASK, _ALERT_LIMIT = range(8)
_IDENTITY = {0xFE: 0x5449, 0xFF: 0x2260}
POWER_ON_CONFIG = 0x4127
_RESULT_NAMES = {_SHUNT: "shunt voltage", _BUS: "bus voltage", _POWER: "power", _CURRENT: "current"}
_SAMPLES = (1, 4, 16, 64, 128, 256, 512, 1024)
_SINGLE_US = (154, 224, 365, 646, 1210, 2328, 4572, 9068)
_READY, _OVERFLOW = 0x0008, 0x0004
_MASK_WRITABLE = 0xFC03
_EIO = 5

stated_error = {
    "shunt_uv": 10.0,
    "bus_mv": 7.5,
    "gain_pct": 0.1,
    "offset_uv": 5.0,
    "offset_mv": 3.0,
    "seeded_gain_pct": 0.05,
}


class VirtualIna226(BenchDoor):
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

    is_bytewise = False

    def __init__(
        self,
        clock,
        source,
        ledger,
        seed=0,
        name="panel",
        bus_v="panel_bus_v",
        current_ma="panel_current_ma",
        shunt_ohm=0.1,
        shunt_tolerance_pct=0.0,
        ideal=False,
        boot=1,
    ):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._bus_column = source.column(bus_v)
        self._current_column = source.column(current_ma)
        self._uv_per_ma = shunt_ohm * 1000 * (1 + shunt_tolerance_pct / 100)
        specimen = Noise(seed, "ina226/" + name)
        gain = stated_error["seeded_gain_pct"] / 100
        self.offset_uv = specimen.uniform(-stated_error["offset_uv"], stated_error["offset_uv"])
        self.offset_mv = specimen.uniform(-stated_error["offset_mv"], stated_error["offset_mv"])
        self.shunt_gain = 1 + specimen.uniform(-gain, gain)
        self.bus_gain = 1 + specimen.uniform(-gain, gain)
        if ideal:
            self.offset_uv, self.offset_mv, self.shunt_gain, self.bus_gain = 0.0, 0.0, 1.0, 1.0
        self._noise = None if ideal else Noise(seed, "ina226/%s/boot%d" % (name, boot))
        self.open_door()
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def power_on(self):
        self._pointer = _CONFIG
        self._calibration = self._mask = self._alert_limit = 0
        self._overflow = 0
        self._shunt = self._bus = self._current = self._power = 0
        self._configure(POWER_ON_CONFIG)

    def save(self):
        return {"config": self._config, "calibration": self._calibration, "start_us": self._start_us}

    def restore(self, state):
        self._configure(state["config"])
        self._start_us = state["start_us"]
        self._calibration = state["calibration"]

    def specimen(self):
        return {
            "chip": "ina226",
            "name": self.name,
            "offset_uv": self.offset_uv,
            "offset_mv": self.offset_mv,
            "shunt_gain": self.shunt_gain,
            "bus_gain": self.bus_gain,
        }

    # --- bus door --------------------------------------------------------------------------------------------

    def _write(self, data):
        length = len(data)
        if length == 0:
            return
        self._pointer = pointer = data[0]
        if pointer > _ALERT_LIMIT and pointer not in _IDENTITY:
            self._object("unknown register 0x%02X" % pointer)
        if length == 1:
            return
        if length != 3:
            self._object("%d bytes written to register %d; it holds two" % (length - 1, pointer))
            return
        value = data[1] << 8 | data[2]
        if pointer == _CONFIG:
            if value & 0x8000:
                self.power_on()
            else:
                self._configure(value)
        elif pointer == _CALIBRATION:
            self._settle()
            self._calibration = value & 0x7FFF  # bit 15 is void
            self._compute()
        elif pointer == _MASK:
            self._mask = value & _MASK_WRITABLE
        elif pointer == _ALERT_LIMIT:
            self._alert_limit = value
        else:
            self._object("write to register %d, which is read only" % pointer)

    def _read_into(self, buf):
        pointer = self._pointer
        if pointer in _IDENTITY:
            value = _IDENTITY[pointer]
        elif pointer == _CONFIG:
            value = self._config
        elif pointer == _CALIBRATION:
            value = self._calibration
        elif pointer == _MASK:
            self._settle()
            value = self._mask | self._ready | self._overflow
            self._ready = 0  # (7.6.8)
        elif pointer == _ALERT_LIMIT:
            value = self._alert_limit
        elif pointer <= _CURRENT:
            value = self._result(pointer)
        else:
            raise OSError(_EIO)
        if len(buf) > 2:
            self._object("%d bytes read from register %d; it holds two" % (len(buf), pointer))
        for place in range(len(buf)):
            buf[place] = (value >> 8, value & 0xFF)[place] if place < 2 else 0xFF

    def _configure(self, config):
        """A write to the configuration register starts the conversions afresh and clears CVRF."""
        self._config = config & 0x0FFF | 0x4000  # bits 14 to 12 read 100 (7.6.2)
        mode = config & 7
        self._samples = _SAMPLES[config >> 9 & 7]
        self._measures_shunt = mode & 1 == 1
        self._measures_bus = mode & 2 == 2
        bus_us = _SINGLE_US[config >> 6 & 7] if self._measures_bus else 0
        shunt_us = _SINGLE_US[config >> 3 & 7] if self._measures_shunt else 0
        self._period_us = (bus_us + shunt_us) * self._samples
        self._continuous = mode >= 5
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
            return self._bus
        if self._calibration == 0:
            self._object("%s read without a calibration" % _RESULT_NAMES[pointer])
        return self._current & 0xFFFF if pointer == _CURRENT else self._power & 0xFFFF

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
        self._ready = _READY
        if self.frozen:
            return
        time_us = self._start_us + count * period_us
        if self._measures_shunt:
            microvolt = self._source.at(self._current_column, time_us) * self._uv_per_ma * self.shunt_gain
            self._shunt = self._quantise((microvolt + self.offset_uv) / 2.5, -32768)
        if self._measures_bus:
            millivolt = self._source.at(self._bus_column, time_us) * 1000 * self.bus_gain + self.offset_mv
            self._bus = self._quantise(millivolt / 1.25, 0)
        self._compute()

    def _quantise(self, steps, low):
        if self._noise is not None:
            steps += self._noise.gauss() * 0.5 / self._samples**0.5
        return max(low, min(32767, int(steps + (0.5 if steps >= 0 else -0.5))))

    def _compute(self):
        """Current and power registers from the calibration (7.5.1); OVF says that one did not fit."""
        current = _divide(self._shunt * self._calibration, 2048)
        power = abs(current) * self._bus // 20000
        self._overflow = 0 if -32768 <= current <= 32767 and power <= 65535 else _OVERFLOW
        self._current = current
        self._power = power


def _divide(value, divisor):
    """Division that truncates towards zero, as the chip's multiplier does."""
    return value // divisor if value >= 0 else -(-value // divisor)

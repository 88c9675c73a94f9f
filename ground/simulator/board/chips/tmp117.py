"""Thermometer TMP117 at its I2C registers (Texas Instruments data sheet SNOSD82, from memory).

Error of a specimen (`stated_error`): +-0.1 degC from -20 to 50 degC, +-0.25 from -55 to 125. The seed picks an offset
within +-0.1 degC, constant over the flight. Noise: half a last bit with 8 samples averaged ("repeatability" +-1 LSB),
more with fewer. A conversion takes 17.5 ms a sample, the longest, which a host has to wait for.

Strict: an unknown register, a write to a read-only one, another length than two bytes, a result read before the first
conversion since power-up, a transfer during a soft reset. Each is noted; the chip answers with what its register holds.
"""

from ground.simulator.board.chips.bench_door import BenchDoor
from ground.simulator.board.noise import Noise

_RESULT, _CONFIG, _HIGH, _LOW, _UNLOCK, _EEPROM1, _EEPROM2, _OFFSET, _EEPROM3 = range(9)
_ID = 0x0F
POWER_ON_CONFIG = 0x0220  # continuous, 8 samples, once a second
_SAMPLE_US = 17500
_SAMPLES = (1, 8, 32, 64)
_CYCLE_US = (15500, 125000, 250000, 500000, 1000000, 4000000, 8000000, 16000000)
_RESET_US = 2000
_NEVER = 0x8000
_HIGH_ALERT, _LOW_ALERT, _READY = 0x8000, 0x4000, 0x2000
_WRITABLE = 0x0FFC
_EIO = 5

stated_error = {"temperature_c": 0.25, "offset_c": 0.1}


class VirtualTmp117(BenchDoor):
    """One thermometer.

    Parameters
    ----------
    column : str
        Column of the source: the chip's temperature. [degC]
    offset_c : float
        Error of this specimen beyond the seeded one. [degC]
    """

    is_bytewise = False

    def __init__(
        self, clock, source, ledger, seed=0, name="outside", column="probe_outside_c", offset_c=0.0, ideal=False, boot=1
    ):
        self.name = name
        self._clock = clock
        self._source = source
        self._ledger = ledger
        self._column = source.column(column)
        specimen = Noise(seed, "tmp117/" + name)
        drawn = specimen.uniform(-stated_error["offset_c"], stated_error["offset_c"])
        self.offset_c = (0.0 if ideal else drawn) + offset_c
        self.serial = [specimen.bits32() & 0xFFFF for _ in range(3)]
        self._noise = None if ideal else Noise(seed, "tmp117/%s/boot%d" % (name, boot))
        self.open_door()
        self.power_on()

    # --- bench door ------------------------------------------------------------------------------------------

    def power_on(self):
        self._restart(0)

    def save(self):
        return {"config": self._config}

    def restore(self, state):
        self._config = state["config"]
        self._begin()

    def specimen(self):
        return {"chip": "tmp117", "name": self.name, "offset_c": self.offset_c, "serial": self.serial}

    # --- bus door --------------------------------------------------------------------------------------------

    def _write(self, data):
        self._awake()
        if len(data) == 0:
            return
        self._pointer = register = data[0]
        if register > _EEPROM3 and register != _ID:
            self._object("unknown register 0x%02X" % register)
        if len(data) == 1:
            return
        if len(data) != 3:
            self._object("%d bytes written to register %d; it holds two" % (len(data) - 1, register))
            return
        value = data[1] << 8 | data[2]
        if register == _CONFIG:
            self._settle()
            if value & 2:
                self._restart(_RESET_US)
            else:
                self._config = value & _WRITABLE
                self._flags = 0
                self._begin()
        elif register in self._plain:
            self._plain[register] = value
        else:
            self._object("write to register %d, which is read only" % register)

    def _read_into(self, buf):
        self._awake()
        self._settle()
        register = self._pointer
        if register == _RESULT:
            if self._result == _NEVER:
                self._object("result read before the first conversion has ended")
            value = self._result
            self._flags &= ~_READY
        elif register == _CONFIG:
            value = self._config | self._flags
            self._flags = 0  # reading clears the ready bit and, in alert mode, both alerts (7.6.3)
        elif register == _ID:
            value = 0x0117
        elif register in self._plain:
            value = self._plain[register]
        elif register in (_EEPROM1, _EEPROM2, _EEPROM3):
            value = self.serial[(_EEPROM1, _EEPROM2, _EEPROM3).index(register)]
        else:
            value = 0
        if len(buf) > 2:
            self._object("%d bytes read from register %d; it holds two" % (len(buf), register))
        for place in range(len(buf)):
            buf[place] = (value >> 8, value & 0xFF)[place] if place < 2 else 0xFF

    def _awake(self):
        if self._clock.now_us < self._ready_us:
            self._object("a transfer during a soft reset")
            raise OSError(_EIO)

    # --- measuring -------------------------------------------------------------------------------------------

    def _restart(self, reset_us):
        self._ready_us = self._clock.now_us + reset_us
        self._pointer = _RESULT
        self._config = POWER_ON_CONFIG
        self._flags = 0
        self._result = _NEVER
        self._plain = {_HIGH: 0x6000, _LOW: 0x8000, _UNLOCK: 0, _OFFSET: 0}
        self._begin()

    def _begin(self):
        """A write to the configuration begins anew: mode 00 and 10 go on for ever, 11 converts once, 01 sleeps."""
        mode = self._config >> 10 & 3
        self._sampling_us = _SAMPLES[self._config >> 5 & 3] * _SAMPLE_US + self.late_us
        self._period_us = max(self._sampling_us, _CYCLE_US[self._config >> 7 & 7]) if mode in (0, 2) else 0
        self._start_us = max(self._clock.now_us, self._ready_us)
        self._is_running = mode != 1

    def _settle(self):
        now_us = self._clock.now_us
        if not self._is_running or now_us < self._start_us + self._sampling_us:
            return
        if self._period_us:
            cycles = (now_us - self._start_us - self._sampling_us) // self._period_us
            self._convert(self._start_us + cycles * self._period_us + self._sampling_us)
            self._start_us += (cycles + 1) * self._period_us
        else:
            self._convert(self._start_us + self._sampling_us)
            self._is_running = False
            self._config = self._config & ~0x0C00 | 0x0400  # after one-shot the chip is in shutdown (7.4.3)

    def _convert(self, time_us):
        if not self.frozen or self._result == _NEVER:
            counts = (self._source.at(self._column, time_us) + self.offset_c) * 128
            if self._noise is not None:
                samples = _SAMPLES[self._config >> 5 & 3]
                counts += self._noise.gauss() * 1.4 / samples**0.5
            offset = self._plain[_OFFSET]
            counts += offset - 0x10000 if offset & 0x8000 else offset
            signed = max(-32767, min(32767, int(counts + (0.5 if counts >= 0 else -0.5))))
            self._result = signed & 0xFFFF
        self._flags |= _READY
        signed = _signed(self._result)
        if signed > _signed(self._plain[_HIGH]):
            self._flags |= _HIGH_ALERT
        if signed < _signed(self._plain[_LOW]):
            self._flags |= _LOW_ALERT


def _signed(word):
    return word - 0x10000 if word & 0x8000 else word

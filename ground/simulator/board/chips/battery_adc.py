"""The board's own converter, reading the battery through a divider (RP2040 data sheet, section 4.9).

Twelve bits, which MicroPython's `read_u16` spreads over sixteen by repeating the upper bits. Error of a specimen
(`stated_error`): +-1 % of the reading and +-10 mV, for the reference and two divider resistors (common practice, no
source); the seed picks both within half of that.
"""

from ground.simulator.board.noise import Noise

stated_error = {"gain_pct": 1.0, "offset_mv": 10.0}
_CONVERSION_US = 2


class BatteryAdc:
    """One converter input.

    Parameters
    ----------
    column : str
        Column of the source with the battery's voltage. [V]
    full_scale_mv : float
        Battery voltage that reads full scale: reference times divider ratio. [mV]
    noise_mv : float
        Standard deviation of one reading, at the battery. [mV]
    """

    def __init__(self, clock, source, ledger, seed=0, name="battery", column="battery_v", full_scale_mv=6600.0,
                 noise_mv=4.0, ideal=False, boot=1):
        self.name = name
        self._clock = clock
        self._source = source
        self._column = source.column(column)
        self._full_scale_mv = full_scale_mv
        specimen = Noise(seed, "adc/" + name)
        gain, offset_mv = stated_error["gain_pct"] / 200, stated_error["offset_mv"] / 2
        self.gain = 1.0 if ideal else 1 + specimen.uniform(-gain, gain)
        self.offset_mv = 0.0 if ideal else specimen.uniform(-offset_mv, offset_mv)
        self._noise_mv = 0.0 if ideal else noise_mv
        self._noise = Noise(seed, "adc/%s/boot%d" % (name, boot))

    def specimen(self):
        return {"chip": "adc", "name": self.name, "gain": self.gain, "offset_mv": self.offset_mv}

    def read_u16(self):
        self._clock.advance(_CONVERSION_US)
        millivolt = self._source.at(self._column, self._clock.now_us) * 1000 * self.gain + self.offset_mv
        if self._noise_mv:
            millivolt += self._noise.gauss() * self._noise_mv
        raw = max(0, min(4095, int(millivolt * 4096 / self._full_scale_mv + 0.5)))
        return raw << 4 | raw >> 8

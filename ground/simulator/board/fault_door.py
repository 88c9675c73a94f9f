"""The door of the faults, the same for every chip: what the cold or a loose wire can do to it, whatever it measures.

A chip's own bench door (chips/bench_door.py) reaches its registers. This one stands between a chip and its bus. It is
put there when a fault first needs it, so a flight without faults does not pay for it, and it works on what the bus
carries and on what the chip measures; the chips know nothing of it:

- `flip_odds`: one byte in so many is hurt on the wire. On I2C that may be the address byte, and then nobody answers.
- `late_us`: the chip stretches the clock for so long before it answers; longer than the bus's time-out is a time-out.
  On the 1-wire bus an answer that comes after the master has looked is none: the line reads as if released.
- `stranger`: another part sits there and answers in the chip's place.
- `freeze()`: what the chip measures stands still, noise too: the result registers repeat one word. Everything else
  about the chip goes on (conversions take their time, ready bits come and go).

What every chip has to have for this: its source in `_source`, its chance in `_noise`, and `power_on()` if it has a
state.
"""

_EIO = 5
_ETIMEDOUT = 110


class Still:
    """A source on which every column keeps the value that it had at one moment."""

    def __init__(self, source, time_us):
        self._source = source
        self._time_us = time_us
        self._values = {}  # looked up once: a table of rows would be read there and back for each

    def column(self, name):
        return self._source.column(name)

    def at(self, column, time_us):
        if column not in self._values:
            self._values[column] = self._source.at(column, self._time_us)
        return self._values[column]


class NoNoise:
    """In place of a chip's chance: nothing ever differs."""

    def gauss(self):
        return 0.0

    def bits32(self):
        return 0

    def uniform(self, low, high):
        return (low + high) / 2


class Stranger:
    """An I2C part that is none of ours: it acknowledges everything, keeps nothing and says the same bytes for ever."""

    def __init__(self):
        self._pointer = 0

    def write(self, data):
        if len(data):
            self._pointer = data[0]

    def read_into(self, buf):
        for index in range(len(buf)):
            buf[index] = (self._pointer + index) * 37 + 0x5A & 0xFF


class FaultDoor:
    """What all doors share. `chip` is the real one behind it, `noise` decides which bytes are hurt."""

    def __init__(self, chip, clock, noise):
        self.chip = chip
        self._clock = clock
        self._noise = noise
        self.flip_odds = 0
        self.late_us = 0
        self.stranger = None
        self._was = None

    def freeze(self):
        """Whatever the chip measures stands still from now on."""
        chip = self.chip
        if self._was is None:
            self._was = (chip._source, chip._noise)
            chip._source = Still(chip._source, self._clock.now_us)
            chip._noise = NoNoise()

    def thaw(self):
        """It moves again."""
        if self._was is not None:
            self.chip._source, self.chip._noise = self._was
            self._was = None

    def _is_hurt(self):
        return self.flip_odds and self._noise.bits32() % self.flip_odds == 0

    def _flip(self, value):
        return value ^ 1 << (self._noise.bits32() >> 8 & 7)


class I2cDoor(FaultDoor):
    """Between an I2C chip and its wires."""

    def __init__(self, chip, clock, noise, wires):
        FaultDoor.__init__(self, chip, clock, noise)
        self._wires = wires

    def write(self, data):
        self._answer()
        (self.stranger or self.chip).write(data)

    def read_into(self, buf):
        self._answer()
        (self.stranger or self.chip).read_into(buf)
        for index in range(len(buf)):
            if self._is_hurt():
                buf[index] = self._flip(buf[index])

    def _answer(self):
        """The chip finds its address, in its time; a flipped bit there makes it somebody else's."""
        if self.late_us:
            timeout_us = self._wires.timeout_us
            self._clock.advance(min(self.late_us, timeout_us))
            if self.late_us > timeout_us:
                raise OSError(_ETIMEDOUT)
        if self._is_hurt():
            raise OSError(_EIO)


class WireDoor(FaultDoor):
    """Between a 1-wire chip and its wire."""

    def reset(self):
        self._there().reset()

    def listens(self):
        return self._there().listens()

    def write_byte(self, value):
        self._there().write_byte(value)

    def write_bit(self, bit):
        self._there().write_bit(bit)

    def read_byte(self):
        value = self._there().read_byte()
        if self.late_us:
            return 0xFF
        return self._flip(value) if self._is_hurt() else value

    def read_bit(self):
        bit = self._there().read_bit()
        if self.late_us:
            return 1
        return bit ^ 1 if self._is_hurt() else bit

    def _there(self):
        return self.stranger or self.chip


class AdcDoor(FaultDoor):
    """Between the battery's divider and the converter: there is no bus, only the value can be held."""

    def read_u16(self):
        return self.chip.read_u16()

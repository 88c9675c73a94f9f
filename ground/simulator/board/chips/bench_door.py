"""What a test or a fault may do to a register chip on the I2C bus, whatever the chip is.

A chip that inherits from BenchDoor names its own two bus calls `_write(data)` and `_read_into(buf)`, and `_settle()`,
which brings its registers up to now; it keeps the register last addressed in `_pointer`, adds `late_us` to the length
of its conversions, leaves its results alone while `frozen`, and calls open_door() when it is made.
"""

_EIO = 5


class BenchDoor:
    """The bench door of one chip. What it measures is set at the source (world_rows.Bench); the rest is here."""

    is_bytewise = True  # a longer transfer reads the next registers; False: each register is a word of its own

    def open_door(self):
        """Nothing wrong with the chip."""
        self.silent = False  # acknowledges nothing
        self.late_us = 0  # each conversion takes so much longer than the data sheet allows [us]
        self.frozen = False
        self._stuck = {}
        self._flips = []

    def freeze(self, frozen=True):
        """Results stay what they are now, though conversions go on."""
        self._settle()
        self.frozen = frozen

    def brown_out(self):
        """The supply dips: everything volatile is as after power-up, and nobody is told."""
        self.power_on()

    def stick(self, register, value=None):
        """Let a register read as `value`, bytes, whatever it holds; without a value it is free again."""
        if value is None:
            self._stuck.pop(register, None)
        else:
            self._stuck[register] = bytes(value)

    def flip(self, byte, bit, times=1):
        """Turn over one bit of the next `times` answers, of their byte number `byte`; shorter answers stay whole."""
        self._flips.append([byte, 1 << bit, times])

    # --- bus door --------------------------------------------------------------------------------------------

    def write(self, data):
        if self.silent:
            raise OSError(_EIO)
        self._write(data)

    def read_into(self, buf):
        if self.silent:
            raise OSError(_EIO)
        first = self._pointer
        self._read_into(buf)
        if self._stuck:
            self._put_stuck(first, buf)
        if self._flips:
            self._flip_bits(buf)

    def _put_stuck(self, first, buf):
        for register, value in self._stuck.items():
            at = register - first
            if at and not self.is_bytewise:
                continue
            for place in range(len(value)):
                if 0 <= at + place < len(buf) and at >= 0:
                    buf[at + place] = value[place]

    def _flip_bits(self, buf):
        for flip in self._flips:
            if flip[0] < len(buf) and flip[2] > 0:
                buf[flip[0]] ^= flip[1]
                flip[2] -= 1
        self._flips = [flip for flip in self._flips if flip[2] > 0]

    def _object(self, what):
        self._ledger.object(self.name, what)

"""The I2C bus, guarded against a chip that holds it down.

A chip that lost count of its clocks in the middle of a byte (a spike, a brown-out, a reset of the board) holds SDA
low and waits for more. The controller finds the bus taken and gives up after its time-out, 5 ms, and so would every
other transfer. So after the first time-out with a wire down nobody waits again: transfers fail at once until clear()
has freed the bus.

clear() is what the I2C-bus specification (UM10204, 3.1.16) asks for: up to nine clocks, until SDA is let go, then a
STOP. The pins are taken from the controller for it and given back by making the bus anew; on the RP2040 that gives
the same object again and allocates nothing, and it is only done between two turns of the loop (core/bus_repair.py).
"""

from shared_protocol.compat import const

_ETIMEDOUT = const(110)
_CLOCKS = const(9)


class I2cGuard:
    """machine.I2C as the drivers use it. `make` is machine.I2C itself, the pins are machine.Pin."""

    def __init__(self, make, bus: int, sda, scl, hz: int, timeout_us: int):
        self._make = make
        self._number = bus
        self._sda = sda
        self._scl = scl
        self._hz = hz
        self._timeout_us = timeout_us
        self.is_stuck = False
        self._error = OSError(_ETIMEDOUT)  # one for all, because a new one is a new object
        self._remake()

    def readfrom_into(self, addr: int, buf) -> None:
        """As machine.I2C; OSError(ETIMEDOUT) at once while the bus is held down."""
        if self.is_stuck:
            self._refuse()
        try:
            self._bus.readfrom_into(addr, buf)
        except OSError as error:
            self._look(error)
            raise

    def writeto(self, addr: int, buf) -> int:
        """As machine.I2C."""
        if self.is_stuck:
            self._refuse()
        try:
            return self._bus.writeto(addr, buf)
        except OSError as error:
            self._look(error)
            raise

    def readfrom_mem_into(self, addr: int, memaddr: int, buf) -> None:
        """As machine.I2C."""
        if self.is_stuck:
            self._refuse()
        try:
            self._bus.readfrom_mem_into(addr, memaddr, buf)
        except OSError as error:
            self._look(error)
            raise

    def writeto_mem(self, addr: int, memaddr: int, buf) -> None:
        """As machine.I2C."""
        if self.is_stuck:
            self._refuse()
        try:
            self._bus.writeto_mem(addr, memaddr, buf)
        except OSError as error:
            self._look(error)
            raise

    def clear(self) -> bool:
        """Nine clocks, a STOP, a new bus; under a millisecond. True if both wires are up."""
        sda = self._sda
        scl = self._scl
        scl.init(scl.OPEN_DRAIN, value=1)
        sda.init(sda.OPEN_DRAIN, value=1)
        for _ in range(_CLOCKS):  # a call takes microseconds, so this is slower than 400 kHz without any waiting
            if sda():
                break
            scl(0)
            scl(1)
        scl(0)
        sda(0)
        scl(1)
        sda(1)  # up while the clock is up: STOP
        self.is_stuck = not (sda() and scl())
        self._remake()
        return not self.is_stuck

    def _remake(self):
        self._bus = self._make(self._number, sda=self._sda, scl=self._scl, freq=self._hz, timeout=self._timeout_us)

    def _refuse(self):
        error = self._error
        if hasattr(error, "__traceback__"):  # CPython would make it longer each time
            error.__traceback__ = None
        raise error

    def _look(self, error):
        """A time-out with both wires up is a slow chip, and concerns that chip alone."""
        number = error.args[0] if error.args else 0  # `errno` is empty in CPython for an error made of one number
        if number == _ETIMEDOUT and not (self._sda() and self._scl()):
            self.is_stuck = True

"""The I2C bus, guarded against a chip that holds it down and against a controller that lost track.

A chip that lost count of its clocks in the middle of a byte (a spike, a brown-out, a reset of the board) holds SDA
low and waits for more. The controller finds the bus taken and gives up after its time-out, 5 ms, and so would every
other transfer. So after the first time-out with a wire down nobody waits again: transfers fail at once until clear()
has freed the bus.

A time-out with both wires up is a slow chip, as a rule. But after a spike that looked like a START the controller, made
for several masters, waits for that stranger's STOP (RP2040 data sheet, I2C, multiple masters; that spikes do it: common
practice, no source). Nobody says it, so each transfer times out until the controller is made anew. So the bus is
cleared as well after WAITS time-outs with nothing good between them; if that was no help it is a slow chip after all,
and each time twice as many go by.

clear() is what the I2C-bus specification (UM10204, 3.1.16) asks for: up to nine clocks, until SDA is let go, then a
STOP. The pins are taken from the controller for it and given back by making the bus anew; on the RP2040 that gives
the same object again and allocates nothing, and it is only done between two turns of the loop (core/bus_repair.py).
"""

from shared_protocol.compat import const

WAITS = const(3)
_WAITS_MAX = const(32)  # times WAITS

# Taken from no module, for CPython has the number of the computer it runs on
_ETIMEDOUT = const(110)  # MicroPython's own (py/mperrno.h), which the rp2 port uses
_ETIMEDOUT_ESP32 = const(116)  # the C library's: that port has none of MicroPython's (ports/esp32/mpconfigport.h)
_EIO = const(5)
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
        self._waits = 0  # time-outs with both wires up since the latest transfer that ended
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
        self._waits = 0

    def writeto(self, addr: int, buf) -> int:
        """As machine.I2C, but a chip that did not acknowledge each byte is an error: OSError(EIO).

        The port counts acknowledgements and raises for a missing first one only (MicroPython, machine.I2C.writeto).
        """
        if self.is_stuck:
            self._refuse()
        try:
            count = self._bus.writeto(addr, buf)
        except OSError as error:
            self._look(error)
            raise
        self._waits = 0
        if count != len(buf):
            raise OSError(_EIO)
        return count

    def readfrom_mem_into(self, addr: int, memaddr: int, buf) -> None:
        """As machine.I2C."""
        if self.is_stuck:
            self._refuse()
        try:
            self._bus.readfrom_mem_into(addr, memaddr, buf)
        except OSError as error:
            self._look(error)
            raise
        self._waits = 0

    def writeto_mem(self, addr: int, memaddr: int, buf) -> None:
        """As machine.I2C."""
        if self.is_stuck:
            self._refuse()
        try:
            self._bus.writeto_mem(addr, memaddr, buf)
        except OSError as error:
            self._look(error)
            raise
        self._waits = 0

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
        error.__traceback__ = None  # else it grows with each raise; MicroPython lets it be set, and not be seen
        raise error

    def _look(self, error):
        """After a failure: is it the bus?"""
        number = error.args[0] if error.args else 0  # `errno` is empty in CPython for an error made of one number
        if number != _ETIMEDOUT and number != _ETIMEDOUT_ESP32:
            self._waits = 0  # nobody acknowledged, but there were clocks and a STOP
            return
        if not (self._sda() and self._scl()):
            self.is_stuck = True
            return
        self._waits += 1
        times = self._waits // WAITS
        if self._waits % WAITS == 0 and (times & times - 1 == 0 or times % _WAITS_MAX == 0):
            self.is_stuck = True

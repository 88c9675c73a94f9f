"""machine.I2C and the wires behind it.

A transfer takes its nine clocks a byte at the bus's rate plus what MicroPython itself needs around it; a missing
acknowledge is OSError(EIO), a bus held down is OSError(ETIMEDOUT) after the port's time-out. Which wires a bus object
sees depends on its two pins, so a wrong pin in the settings finds an empty bus, as on the bench.

A chip that lost count in the middle of a byte holds SDA low and waits for clocks (I2C-bus specification UM10204, 3.1.16
"Bus clear"). It lets go after as many falling edges of SCL as it still has bits to say, nine at most, and those have to
come from the pins themselves, for the controller does not clock a bus that is not free.
"""

from ground.simulator.board import pins
from ground.simulator.board.pins import pin_number

_EIO = 5
_ETIMEDOUT = 110
_CALL_US = 45  # MicroPython's own time around one transfer (board_budget: 8 bytes of a register take 338 us)


class Wires:
    """Two wires and the chips on them, by 7-bit address. The bench door of the bus."""

    def __init__(self):
        self.chips = {}
        self.held_low = False  # somebody holds SDA down: every transfer times out
        self.stop_count = 0  # stop conditions made with the pins
        self.timeout_us = 50000  # of the bus object made last
        self._pins = None
        self._clocks_left = 0  # until a chip in the middle of a byte lets go; 0: no such chip
        self.before_transfer = None  # hook: function(address); may raise OSError or let time pass
        self.after_read = None  # hook: function(address, buf); may change what was read

    def attach(self, address, chip):
        self.chips[address] = chip

    def detach(self, address):
        """Take a chip off the bus and give it back; None if there was none."""
        return self.chips.pop(address, None)

    def connect(self, sda, scl):
        """These wires lie on these pins, each with its resistor."""
        self._pins = (sda, scl)
        for pin in self._pins:
            pins.pull_up(pin)
        pins.on_change(scl, self._scl_moved)
        pins.on_change(sda, self._sda_moved)

    def hold(self, clocks=0):
        """SDA is held down: until so many clocks (1 to 9) have come, or, with 0, until let_go()."""
        self.held_low = True
        self._clocks_left = clocks
        if self._pins:
            pins.hold_low(self._pins[0], True)

    def let_go(self):
        """Whoever held SDA lets go of it."""
        self.held_low = False
        self._clocks_left = 0
        if self._pins:
            pins.hold_low(self._pins[0], False)

    def usable(self):
        """False while SDA is low, and while the pins are not the controller's."""
        return not self.held_low and not any([pin in pins.taken for pin in self._pins or ()])

    def _scl_moved(self, level):
        if level == 0 and self._clocks_left:
            self._clocks_left -= 1
            if self._clocks_left == 0:
                self.let_go()

    def _sda_moved(self, level):
        if level and not self.held_low and pins.Pin(self._pins[1]).value():
            self.stop_count += 1


class I2C:
    """The calls of machine.I2C that the contract names, and the allocating ones beside them."""

    clock = None  # set by the board before the firmware starts
    wires_by_pins: dict = {}

    def __init__(self, bus_id=-1, scl=None, sda=None, freq=400000, timeout=50000):
        self._byte_ns = 9000000000 // freq
        self._timeout_us = timeout
        key = (pin_number(sda), pin_number(scl))
        self._wires = self.wires_by_pins.get(key) or Wires()
        self._wires.timeout_us = timeout
        pins.give_to_peripheral(*key)
        self._advance = self.clock.advance
        self._register = bytearray(1)

    def writeto(self, address, buf, stop=True):
        chip = self._address(address, len(buf) + 1)
        if buf:  # else it acknowledges its address and that is all
            chip.write(buf)
        return len(buf)

    def readfrom_into(self, address, buf, stop=True):
        chip = self._address(address, len(buf) + 1)
        chip.read_into(buf)
        if self._wires.after_read is not None:
            self._wires.after_read(address, buf)

    def readfrom(self, address, length, stop=True):
        buf = bytearray(length)
        self.readfrom_into(address, buf, stop)
        return bytes(buf)

    def readfrom_mem_into(self, address, register, buf, addrsize=8):
        chip = self._address(address, len(buf) + 3)
        self._register[0] = register
        chip.write(self._register)
        chip.read_into(buf)
        if self._wires.after_read is not None:
            self._wires.after_read(address, buf)

    def readfrom_mem(self, address, register, length, addrsize=8):
        buf = bytearray(length)
        self.readfrom_mem_into(address, register, buf, addrsize=addrsize)
        return bytes(buf)

    def writeto_mem(self, address, register, buf, addrsize=8):
        chip = self._address(address, len(buf) + 2)
        chip.write(bytes([register]) + bytes(buf))

    def scan(self):
        found = []
        for address in range(0x08, 0x78):
            try:
                self._address(address, 1)
            except OSError as error:
                if error.args[0] == _ETIMEDOUT:
                    raise
            else:
                found.append(address)
        return found

    def _address(self, address, byte_count):
        """Spend the transfer's time and find the chip that acknowledges."""
        wires = self._wires
        if wires.before_transfer is not None:
            wires.before_transfer(address)
        if wires.held_low or (pins.taken and not wires.usable()):
            self._advance(self._timeout_us)
            raise OSError(_ETIMEDOUT)
        chip = wires.chips.get(address)
        if chip is None:
            self._advance(self._byte_ns // 1000 + _CALL_US)
            raise OSError(_EIO)
        transfer_us = byte_count * self._byte_ns // 1000
        if transfer_us > self._timeout_us:  # which counts from the transfer's beginning, as on the RP2040
            self._advance(self._timeout_us)
            raise OSError(_ETIMEDOUT)
        self._advance(transfer_us + _CALL_US)
        return chip

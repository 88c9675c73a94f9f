"""Where a chip sits: its place on a bus, from which it can be pulled and into which it, or another one, can be put."""

from ground.simulator.board.fault_door import AdcDoor, I2cDoor, WireDoor


class Socket:
    """A place and the chip that belongs there; `door` stands before the chip once somebody asked for it."""

    def __init__(self, chip, clock, noise):
        self.chip = chip
        self._clock = clock
        self._noise = noise
        self._door = None
        self._plugged = None

    def door(self):
        """The door of the faults, made when it is first asked for."""
        if self._door is None:
            self._door = self._make_door()
            if self._plugged is self.chip:
                self.unplug()
                self.plug()
        return self._door

    def plug(self):
        """Put the chip in, as it is; whatever else was in is out."""
        self.unplug()
        self._plugged = self._door or self.chip
        self._connect(self._plugged)

    def unplug(self):
        """Take out what is in."""
        if self._plugged is not None:
            self._disconnect(self._plugged)
            self._plugged = None


class I2cSocket(Socket):
    """An address on the I2C bus."""

    def __init__(self, chip, clock, noise, wires, address):
        Socket.__init__(self, chip, clock, noise)
        self.wires = wires
        self.address = address

    def _make_door(self):
        return I2cDoor(self.chip, self._clock, self._noise, self.wires)

    def _connect(self, thing):
        self.wires.attach(self.address, thing)

    def _disconnect(self, thing):
        if self.wires.chips.get(self.address) is thing:
            self.wires.detach(self.address)


class WireSocket(Socket):
    """A place on the 1-wire bus."""

    def __init__(self, chip, clock, noise, wire):
        Socket.__init__(self, chip, clock, noise)
        self.wire = wire

    def _make_door(self):
        return WireDoor(self.chip, self._clock, self._noise)

    def _connect(self, thing):
        self.wire.chips.append(thing)

    def _disconnect(self, thing):
        self.wire.chips.remove(thing)


class AdcSocket(Socket):
    """A pin of the converter."""

    def __init__(self, chip, clock, noise, inputs, pin):
        Socket.__init__(self, chip, clock, noise)
        self._inputs = inputs
        self._pin = pin

    def _make_door(self):
        return AdcDoor(self.chip, self._clock, self._noise)

    def _connect(self, thing):
        self._inputs[self._pin] = thing

    def _disconnect(self, thing):
        self._inputs.pop(self._pin, None)


class ReceiverSocket(Socket):
    """The receiver's end of the serial line: a receiver that is out is mute, one that is put in starts anew."""

    def __init__(self, chip, clock, noise, line):
        Socket.__init__(self, chip, clock, noise)
        self.line = line
        self._plugged = chip

    def _connect(self, thing):
        thing.muted = False
        thing.restart()

    def _disconnect(self, thing):
        thing.muted = True

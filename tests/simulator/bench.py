"""A bench for the virtual chips: world time, quantities set by hand, and buses as the firmware sees them."""

from ground.simulator.board.clock import Clock
from ground.simulator.board.i2c import I2C, Wires
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.onewire_bus import OneWire, Wire
from ground.simulator.board.uart import UART
from ground.simulator.board.world_rows import Bench


class ChipBench:
    """Chips are made with `chip(cls, **parameters)`; `objections` are what the strict ones said."""

    def __init__(self, start_us=1_000_000, **quantities):
        self.clock = Clock(start_us)
        self.world = Bench(**quantities)
        self.ledger = Ledger(self.clock)

    def chip(self, cls, **parameters):
        return cls(self.clock, self.world, self.ledger, **parameters)

    def i2c(self, chips, freq=400_000):
        """machine.I2C with these chips by address."""
        wires = Wires()
        for address, chip in chips.items():
            wires.attach(address, chip)
        I2C.clock, I2C.wires_by_pins = self.clock, {(4, 5): wires}
        return I2C(0, sda=4, scl=5, freq=freq)

    def onewire(self, chips):
        wire = Wire()
        wire.chips.extend(chips)
        OneWire.clock, OneWire.wires_by_pin = self.clock, {22: wire}
        return OneWire(22)

    def uart(self, partner, line, baud=9600, rxbuf=4096):
        UART.clock, UART.ledger, UART.partners_by_pins = self.clock, self.ledger, {(8, 9): (partner, line)}
        return UART(1, baudrate=baud, tx=8, rx=9, rxbuf=rxbuf)

    @property
    def objections(self):
        return [objection["what"] for objection in self.ledger.objections]

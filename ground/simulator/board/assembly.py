"""Puts one board together from its description: wires, chips, receiver, card, faults.

What the description (`board.json`) holds is told in ground/simulator/board_description.py. Adding a chip is adding a
line to I2C_CHIPS, ONEWIRE_CHIPS or ADC_CHIPS.
"""

from ground.simulator.board import faults, pins
from ground.simulator.board.card import Card
from ground.simulator.board.chips.battery_adc import BatteryAdc
from ground.simulator.board.chips.bmp280 import VirtualBme280, VirtualBmp280
from ground.simulator.board.chips.ds18b20 import VirtualDs18b20
from ground.simulator.board.chips.ina219 import VirtualIna219
from ground.simulator.board.chips.ina226 import VirtualIna226
from ground.simulator.board.chips.ms5611 import VirtualMs5611
from ground.simulator.board.chips.tmp117 import VirtualTmp117
from ground.simulator.board.clock import Clock
from ground.simulator.board.flash_chip import FlashChip
from ground.simulator.board.gnss.receiver import VirtualReceiver
from ground.simulator.board.gnss.recorded import RecordedStream
from ground.simulator.board.heap_watch import HeapWatch
from ground.simulator.board.i2c import I2C, Wires
from ground.simulator.board.ledger import GuestLedger, Ledger
from ground.simulator.board.machine_module import PWRON_RESET, WDT_RESET
from ground.simulator.board.noise import Noise
from ground.simulator.board.onewire_bus import OneWire, Wire
from ground.simulator.board.sockets import AdcSocket, I2cSocket, ReceiverSocket, WireSocket
from ground.simulator.board.spi_bus import SPI
from ground.simulator.board.spi_card import SpiCard
from ground.simulator.board.uart import UART, Line
from ground.simulator.board.watchdog import WDT
from ground.simulator.board.world_rows import WorldRows
from ground.simulator.board.write_journal import WriteJournal

I2C_CHIPS = {
    "ms5611": VirtualMs5611, "bmp280": VirtualBmp280, "bme280": VirtualBme280,
    "tmp117": VirtualTmp117, "ina219": VirtualIna219, "ina226": VirtualIna226,
}  # fmt: skip
ONEWIRE_CHIPS = {"ds18b20": VirtualDs18b20}
ADC_CHIPS = {"adc": BatteryAdc}
_GOOD_FAITH_US = 15000000  # a landed box looks at its thermometers every 10 s


class Board:
    """Everything the firmware can reach, for one boot.

    Parameters
    ----------
    description : dict
        As read from board.json.
    source : WorldRows or Bench, optional
        Where quantities come from; by default the table that the description names.
    """

    def __init__(self, description, source=None):
        boot = description["boot"]
        self.seed = description["seed"]
        self.clock = Clock(description["start_us"], description.get("ticks_start_ms", 0))
        self.ledger = Ledger(self.clock)
        self.heap = HeapWatch(self.clock, description.get("heap_every_us"))
        self.source = source or WorldRows(**description["world"])
        self.chance = Noise(self.seed, "urandom/boot%d" % boot)
        self.unique_id = Noise(self.seed, "unique id").bytes(8)
        self.reset_cause = PWRON_RESET if description["cause"] == "power" else WDT_RESET
        self._common = {"seed": self.seed, "boot": boot}
        self.chips = {}
        self._parameters = {}  # of 1-wire chips, by name
        self.sockets = {}  # name -> where the chip sits
        self.adc_by_pin = {}
        self.receiver = None
        pins.connect(self.ledger)
        wiring = description["wiring"]
        self.i2c_wires, self.onewire_wire, self.line = Wires(), Wire(), Line(9600)
        self._connect_buses(wiring)
        for chip in description["chips"]:
            self._add_chip(dict(chip))
        self._add_receiver(description, (wiring["gnss_tx"], wiring["gnss_rx"]), boot)
        self.card = Card(self.clock, self.ledger, description["card"], self.seed, boot)
        self.card.read_layout()
        self.flash = FlashChip(self.clock, self.ledger, description["flash"]) if description.get("flash") else None
        self.journal = None
        self._keep_journal(description.get("journal"))
        self.spi_card = None  # the SPI side of the card, where it has one
        self._connect_card(description.get("card_interface", "block"), description.get("card_kind", "sdhc"), wiring)
        self._restore(description.get("state"), description["cause"] == "power")
        faults.arm(self, description.get("faults", ()))

    # --- bench door ------------------------------------------------------------------------------------------

    def remove(self, name):
        """Take a chip off its bus."""
        self.sockets[name].unplug()

    def put_back(self, name):
        """Put a chip back on its bus; it starts as after power-up."""
        self.brown_out(name)
        self.sockets[name].plug()

    def brown_out(self, name):
        """The chip's supply dips: its registers hold their power-on values, and what it was told is forgotten.

        Until the firmware has found that out it goes on in good faith, so the chip's objections do not count so long.
        """
        chip = self.chips[name]
        if hasattr(chip, "power_on"):
            chip.power_on()
            self.ledger.forgive(name, self.clock.now_us + _GOOD_FAITH_US)

    def swap(self, name, kind):
        """Put another kind of chip into the place of this one; put_back() brings the first back."""
        socket = self.sockets[name]
        socket.unplug()
        ledger = GuestLedger(self.ledger)
        other = I2C_CHIPS[kind](self.clock, self.source, ledger, name=name, **self._common)
        socket.wires.attach(socket.address, other)
        self.ledger.forgive(name, self.clock.now_us + _GOOD_FAITH_US)

    def another(self, name):
        """Another specimen of this kind of 1-wire chip, with a ROM code of its own."""
        kind, parameters = self._parameters[name]
        parameters = dict(parameters)
        parameters["rom"] = None
        parameters["seed"] = self.seed + 1
        return ONEWIRE_CHIPS[kind](self.clock, self.source, self.ledger, **parameters)

    def chance_of_faults(self, name):
        """Chance for what befalls this chip, apart from the chip's own."""
        return Noise(self.seed, "faults/%s/boot%d" % (name, self._common["boot"]))

    def save(self):
        """State of everything that keeps its supply when only the processor is reset."""
        return {name: chip.save() for name, chip in self.chips.items() if hasattr(chip, "save")}

    def flash_figures(self):
        """Wear of the flash in this boot, or None where a folder takes its place."""
        flash = self.flash
        if flash is None:
            return None
        erases = [[block, count] for block, count in sorted(flash.erases.items())]
        return {"operations": flash.operation_count, "programs": flash.program_count, "erases": erases}

    def close(self):
        """Let go of the files of card, flash and journal."""
        for each in (self.card, self.flash, self.journal):
            if each is not None:
                each.close()

    def specimens(self):
        """What each chip of this flight gets wrong, for notes and tests."""
        return [chip.specimen() for chip in self.chips.values()]

    # ---------------------------------------------------------------------------------------------------------

    def _connect_buses(self, wiring):
        I2C.clock = OneWire.clock = UART.clock = WDT.clock = self.clock
        UART.ledger = WDT.ledger = self.ledger
        WDT.running = None
        self.i2c_wires.connect(wiring["i2c_sda"], wiring["i2c_scl"])
        I2C.wires_by_pins = {(wiring["i2c_sda"], wiring["i2c_scl"]): self.i2c_wires}
        OneWire.wires_by_pin = {wiring["onewire_pin"]: self.onewire_wire}

    def _keep_journal(self, path):
        """Note every write of card and flash, if somebody wants to know."""
        if path:
            self.journal = self.card.journal = WriteJournal(self.clock, path)
            if self.flash is not None:
                self.flash.journal = self.journal

    def _connect_card(self, interface, kind, wiring):
        """A card on SPI hangs on the wires of the settings; one on blocks is the port's own machine.SDCard."""
        SPI.clock = self.clock
        SPI.parts_by_pins = {}
        if interface == "spi":
            noise = Noise(self.seed, "card/spi/boot%d" % self._common["boot"])
            self.spi_card = SpiCard(self.clock, self.ledger, self.card, noise, kind)
            SPI.parts_by_pins[wiring["card_sck"], wiring["card_mosi"], wiring["card_miso"]] = self.spi_card
            pins.set_input(wiring["card_cs"], 1)
            pins.on_change(wiring["card_cs"], self.spi_card.select)

    def _add_chip(self, parameters):
        kind, name = parameters.pop("chip"), parameters["name"]
        parameters.update(self._common)
        hurt = self.chance_of_faults(name)
        if kind in I2C_CHIPS:
            address = parameters.pop("address")
            chip = I2C_CHIPS[kind](self.clock, self.source, self.ledger, **parameters)
            self.sockets[name] = I2cSocket(chip, self.clock, hurt, self.i2c_wires, address)
        elif kind in ONEWIRE_CHIPS:
            rom = parameters.pop("rom", "")
            parameters["rom"] = bytes([int(rom[at:at + 2], 16) for at in range(0, len(rom), 2)])
            self._parameters[name] = (kind, parameters)
            chip = ONEWIRE_CHIPS[kind](self.clock, self.source, self.ledger, **parameters)
            self.sockets[name] = WireSocket(chip, self.clock, hurt, self.onewire_wire)
        elif kind in ADC_CHIPS:
            pin = parameters.pop("pin")
            chip = ADC_CHIPS[kind](self.clock, self.source, self.ledger, **parameters)
            self.sockets[name] = AdcSocket(chip, self.clock, hurt, self.adc_by_pin, pin)
        else:
            raise ValueError("unknown chip %s" % kind)
        self.chips[name] = chip
        self.sockets[name].plug()

    def _add_receiver(self, description, uart_pins, boot):
        recording = description.get("recording")
        if recording:
            self.receiver = RecordedStream(self.clock, self.line, **recording)
            self.chips[self.receiver.name] = self.receiver
        elif description.get("gnss"):
            parameters = dict(description["gnss"])
            parameters.update(self._common)
            parameters["cold"] = not description.get("state")  # a receiver that was on before keeps its orbits
            self.receiver = VirtualReceiver(self.clock, self.source, self.ledger, self.line,
                                            description["start_unix_us"], **parameters)
            self.chips[self.receiver.name] = self.receiver
        if self.receiver is not None:
            UART.partners_by_pins = {uart_pins: (self.receiver, self.line)}
            name = self.receiver.name
            self.sockets[name] = ReceiverSocket(self.receiver, self.clock, self.chance_of_faults(name), self.line)
        else:
            UART.partners_by_pins = {}

    def _restore(self, states, cold):
        """Chips keep what they held over a processor reset; over a power cut only what is in their EEPROM."""
        if not states:
            return
        for name, state in states.items():
            chip = self.chips.get(name)
            if chip is None:
                continue
            if not cold:
                chip.restore(state)
            elif hasattr(chip, "restore_cold"):
                chip.restore_cold(state)

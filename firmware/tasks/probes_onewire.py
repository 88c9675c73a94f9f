"""DS18B20 thermometers of the box, by their ROM codes, as the thermometer task wants them."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.status import ABSENT, AFTER_RESET, OK, WRONG_CHIP
from shared_protocol.records import CHIP_DS18B20, PROBE, TEMPERATURE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.drivers.ds18b20 import ThermometerBus


class OneWireProbe:
    """One thermometer on the wire: its name on the ground, its ROM code once that is known."""

    is_on_wire = True  # begins to convert with all others, and after a reset 85.0 degC may also be true

    def __init__(self, bus: "ThermometerBus", siblings: list, name: bytes, rom_hex: str):
        self._bus = bus
        self._siblings = siblings  # all probes on this wire
        self.name = name  # at most 8 bytes
        self.rom = bytes([int(rom_hex[at : at + 2], 16) for at in range(0, len(rom_hex), 2)])
        self._has_looked = False
        self._frame = Frame(TEMPERATURE)
        self._probe_frame = Frame(PROBE)
        siblings.append(self)

    def begin(self) -> int:
        """Look for the thermometer; takes the first code that nobody else has if it has none yet."""
        if not self.rom:
            status = self._bus.begin()
            if status != OK:
                return status
            for rom in self._bus.roms:
                if not self._is_somebodys(rom):
                    self.rom = rom
                    break
            else:
                return ABSENT
        status = self._bus.read_rom(self.rom)
        if status == ABSENT and not self._has_looked:
            status = self._stranger()
        self._has_looked = True
        return OK if status == AFTER_RESET else status

    def _is_somebodys(self, rom):
        for probe in self._siblings:  # no comprehension: begin() would make a new object for `rom` at each call
            if probe.rom == rom:
                return True
        return False

    def _stranger(self):
        """At power-up only, because a search takes its time and memory: is there one that nobody asked for?"""
        if self._bus.begin() == OK:
            for rom in self._bus.roms:
                if not self._is_somebodys(rom):
                    return WRONG_CHIP
        return ABSENT

    def address(self) -> int:
        """Six digits of its code, those behind the family's, to tell thermometers apart in an event."""
        rom = self.rom
        return rom[1] << 16 | rom[2] << 8 | rom[3] if rom else 0

    def read(self) -> int:
        """Fetch the finished conversion."""
        return self._bus.read_rom(self.rom)

    def word(self) -> int:
        """What was read last."""
        return self._bus.raw

    def put(self, journal: "Journal", number: int, flags: int, t_ms: int) -> None:
        """Write the reading."""
        struct.pack_into("<BBh", self._frame.buffer, PAYLOAD, number, flags, self._bus.raw)
        journal.put(self._frame, t_ms)

    def introduce(self, journal: "Journal", number: int, now_ms: int) -> None:
        """Write who it is, once that is known."""
        if self.rom:
            frame = self._probe_frame
            struct.pack_into("<BB8s8s", frame.buffer, PAYLOAD, number, CHIP_DS18B20, self.rom, self.name)
            journal.put(frame, now_ms)

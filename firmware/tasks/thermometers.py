"""Temperatures: all thermometers on the wire convert together, and are read one a wake-up.

Reading one takes 13 ms of bit-banging on a board, so they take turns 100 ms apart; the last turn begins the next
conversion. The record carries the time at which its conversion began.

Numbers belong to ROM codes: those in the settings, or else the order of the sorted codes found first. They are kept
until the power goes off, so a thermometer that drops out never changes the number of another one.
"""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.journal import Journal
from firmware.core.schedule import Clock, next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import ABSENT, AFTER_RESET, OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import FLAG_AFTER_RESET, TEMPERATURE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.drivers.ds18b20 import ThermometerBus

_TURN_MS = const(100)
_CONVERSION_MS = const(751)  # the longest, and one because the tick may end right after the command has been sent


class Probe:
    """One thermometer of the box: its number, its name on the ground, its ROM code once that is known."""

    def __init__(self, bus: "ThermometerBus", siblings: list, name: str, rom_hex: str):
        self._bus = bus
        self._siblings = siblings
        self.name = name  # bytes, at most 8
        self.rom = bytes([int(rom_hex[at : at + 2], 16) for at in range(0, len(rom_hex), 2)])
        siblings.append(self)

    def begin(self) -> int:
        """Look for the thermometer; takes the first code that nobody else has if it has none yet."""
        if not self.rom:
            status = self._bus.begin()
            if status != OK:
                return status
            for rom in self._bus.roms:
                if not any([probe.rom == rom for probe in self._siblings]):
                    self.rom = rom
                    break
            else:
                return ABSENT
        status = self._bus.read_rom(self.rom)
        return OK if status == AFTER_RESET else status

    def address(self) -> int:
        """Enough of the serial number to tell thermometers apart in an event."""
        rom = self.rom
        return rom[1] | rom[2] << 8 | rom[3] << 16 if rom else 0


class ThermometerTask:
    """Samples every probe; `names` and `roms_hex` are in the order of their numbers."""

    def __init__(self, journal: Journal, clock: Clock, bus: "ThermometerBus", names, roms_hex, period_ms: int):
        self._bus = bus
        self.probes = []
        self.chips = []
        for number in range(len(names)):
            probe = Probe(bus, self.probes, names[number], roms_hex[number])
            self.chips.append(Supervisor(journal, probe.begin, events.THERMOMETER, number, 0))
        self.period_ms = period_ms
        self._put = journal.put
        self._now = clock.now
        self._frame = Frame(TEMPERATURE)
        self._converting = False
        self._started_ms = 0
        self._turn = 0
        self._slot_ms = 0

    def power_up(self, now_ms: int) -> None:
        """Find the thermometers and begin the first conversion."""
        for number in range(len(self.chips)):
            chip = self.chips[number]
            chip.power_up(now_ms)
            chip.address = self.probes[number].address()
        self._start()

    def step(self, now_ms: int) -> int:
        """Read one thermometer, or begin a conversion after the last; when to come again."""
        number = self._turn
        done_ms = self._started_ms + _CONVERSION_MS
        if self._converting and now_ms < done_ms:  # as after power-up, which is at no slot
            self._slot_ms = next_slot(self._slot_ms, self.period_ms, done_ms)
            return self._slot_ms
        if self._converting:
            self._read(number, now_ms)
        number += 1
        if number < len(self.chips):
            self._turn = number
            return now_ms + _TURN_MS
        self._turn = 0
        self._start()
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        return self._slot_ms

    def _start(self):
        self._converting = self._bus.start() == OK
        self._started_ms = self._now()

    def _read(self, number, now_ms):
        chip = self.chips[number]
        if not chip.ready(now_ms):
            return
        status = self._bus.read_rom(self.probes[number].rom)
        if status != OK and status != AFTER_RESET:
            chip.bad(now_ms, status)
            return
        flags = chip.good(now_ms)
        if status == AFTER_RESET:
            flags |= FLAG_AFTER_RESET
        struct.pack_into("<BBh", self._frame.buffer, PAYLOAD, number, flags, self._bus.raw)
        self._put(self._frame, self._started_ms)

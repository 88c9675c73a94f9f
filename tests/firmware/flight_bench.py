"""The whole flight computer on a small fake board, and the records it wrote (MicroPython only)."""

import json
import struct

from firmware.core.boots import CAUSE_POWER
from firmware.core.settings import CHOICES, NUMBERS, ROMS, Settings
from firmware.start_up import build, start
from shared_protocol import records
from tests.firmware.fakes import Boots, FakeBoard, Stop
from tests.firmware.logbook_bench import frames_of
from tests.firmware.ram_card import FatStorage, formatted_card
from tests.firmware.ram_flash import RamFlash, RamFlashChip

GOOD_SETTINGS = {key: entry[0] for key, entry in NUMBERS.items()}
GOOD_SETTINGS.update({key: choices[0] for key, choices in CHOICES.items()})
GOOD_SETTINGS.update(dict.fromkeys(ROMS, ""))
GOOD_SETTINGS.update({"contact": "Call the farm", "log_size_mib": 4, "copy_size_kib": 128})


class Flight:
    """A power-up of the flight computer on a fake board."""

    def __init__(self, card=None, boot=1, ticks=0, settings=None, prepare=None, flash=None):
        self.card = card or formatted_card(20000)
        self.flash = flash or RamFlash(RamFlashChip(96))
        self.board = FakeBoard(FatStorage(self.card), ticks, self.flash)
        if prepare:
            prepare(self.board)
        data = json.dumps(GOOD_SETTINGS).encode() if settings is None else settings
        settings, boots = Settings(data), Boots(boot)
        self.computer = build(self.board, settings, boots, CAUSE_POWER)
        start(self.computer, self.board, settings, boots, CAUSE_POWER)

    def run(self, seconds):
        time = self.board.time
        time.stop_ms = time.ms + 1000 * seconds
        try:  # noqa: SIM105 (MicroPython has no contextlib)
            self.computer.schedule.run()
        except Stop:
            pass

    def records(self, kind):
        """Unpacked payloads of one record type in the log so far."""
        layout = records.payload_format(records.declaration(kind)[2])
        return [struct.unpack(layout, payload) for _, found, payload in frames_of(self.card) if found == kind]

    def events(self, code):
        """(source, unit, a, b) of each such event."""
        return [entry[1:] for entry in self.records(records.EVENT) if entry[0] == code]

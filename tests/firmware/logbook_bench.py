"""The logbook above a card in memory, and what can be read back from that card (MicroPython only)."""

import struct

from firmware.core.framer import PAYLOAD, Frame, Framer
from firmware.core.journal import Journal
from firmware.core.log_arm import log_name
from firmware.core.logbook import Logbook
from firmware.core.schedule import Clock
from shared_protocol import frame, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.fakes import Boots, VirtualTime
from tests.firmware.ram_card import FatStorage

FRAMES_EACH = 13  # health frames that fill a sector


class Power:
    """One power-up: everything above the card made anew."""

    def __init__(self, card, boot, size_mib=1, **settings):
        self.card = card
        self.time = VirtualTime()
        self.clock = Clock(self.time.ticks_ms, self.time.ticks_diff)
        self.framer = Framer(self.clock)
        self.journal = Journal(self.framer)
        self.boots = Boots(boot)
        self.storage = FatStorage(card)
        settings["contact"] = "Call the farm"
        settings["log_size_mib"] = size_mib
        self.fed = 0
        raise_boot = self.boots.at_least
        self.logbook = Logbook(
            self.storage, self.framer, self.journal, self.clock, boot, raise_boot, settings, self.feed
        )
        self.health = Frame(records.HEALTH)
        self.start = 0
        self.committed = []  # marks of frames in sectors that were reported safe
        self._waiting = []

    def open(self):
        """Open the log and commit what it says about that; where the first sector of readings will go is `start`."""
        is_open = self.logbook.open(self.time.ms)
        if is_open:
            assert self.commit_all()
            self.start = self.logbook._next
        return is_open

    def feed(self):
        self.fed += 1

    def put(self, mark):
        struct.pack_into(self.health.format, self.health.buffer, PAYLOAD, 0, 0, 0, 0, 0, mark, 0, 0, 0)
        self.framer.put(self.health, self.time.ms)
        self._waiting.append(mark)

    def commit_all(self):
        """Commit everything; the marks put so far then count as safe."""
        while self.framer.has_frames():
            if not self.logbook.commit(self.time.ms):
                return False
            self.time.ms += 100
        self.committed += self._waiting
        self._waiting = []
        return True

    def fly(self, sectors, mark):
        """Put and commit so many sectors; the next mark."""
        for _ in range(sectors):
            for _ in range(FRAMES_EACH):
                self.put(mark)
                mark += 1
            assert self.commit_all()
        return mark


def sectors_of(card, number=1):
    """Every sector of a log file that has an intact header of its own log: list of (place, header, bytes)."""
    storage = FatStorage(card)
    storage.mount()
    file = storage.open(log_name(number), "rb")
    buf = bytearray(512)
    found = []
    place = 0
    while file.readinto(buf) == 512:
        header = frame.decode_header(buf)
        if header is not None and header[2] == place and (not found or header[0] == found[0][1][0]):
            found.append((place, header, bytes(buf)))
        place += 1
    file.close()
    return found


def frames_of(card, number=1):
    """(boot, type, payload) of every frame in a log, in the order of its sectors."""
    found = []
    for _place, header, data in sectors_of(card, number):
        if header[4] == frame.KIND_FRAMES:
            for _at, kind, _seq, _t, payload in scan.frames(data, frame_salt(header[0], header[1]), frame.HEADER_SIZE):
                found.append((header[1], kind, payload))
    return found


def marks_of(card, number=1):
    return [
        struct.unpack_from("<I", payload, 10)[0]
        for _, kind, payload in frames_of(card, number)
        if kind == records.HEALTH
    ]


def events_of(card, number=1):
    """(code, a, b) of every event in a log."""
    found = []
    for _, kind, payload in frames_of(card, number):
        if kind == records.EVENT:
            code, _source, _unit, a, b = struct.unpack("<HBBii", payload)
            found.append((code, a, b))
    return found


def cut_and_resume(card, boot=2):
    power = Power(card, boot)
    assert power.open()
    return power

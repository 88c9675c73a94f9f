"""What every part writes to: frames, events, notes, and the counters that the health record reports."""

import struct

from firmware.core.framer import PAYLOAD, Frame
from shared_protocol.compat import const
from shared_protocol.records import EVENT, NOTE

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.framer import Framer

_NOTE_SIZE = const(44)
_NOTE_PARTS_MAX = const(4)


class Journal:
    """put() and event() allocate nothing; note() does, and is for start-up and for trouble."""

    def __init__(self, framer: "Framer"):
        self.framer = framer
        self.put = framer.put
        self._event = Frame(EVENT)
        self._note = Frame(NOTE)
        self.altitude_m = None  # where the box is believed to be, None while unknown; evidence for core/freeze.py
        self.altitude_source = 0  # who says so: two sources may be a kilometre apart
        self.bus_errors = 0  # failed chip readings since power-up
        self.buses_freed = 0  # how often: whoever is lost may try again at once
        self.card_errors = 0
        self.card_write_ms_max = 0  # since the last health record
        self.sectors_written = 0
        self.news = 0  # counts what has to be introduced: a log just opened, a chip just started

    def event(self, t_ms: int, code: int, source: int, unit: int = 0, a: int = 0, b: int = 0) -> None:
        """Say that something happened; the meaning of `a` and `b` stands in shared_protocol/event_text.py."""
        struct.pack_into("<HBBii", self._event.buffer, PAYLOAD, code, source, unit, a, b)
        self.put(self._event, t_ms)

    def note(self, t_ms: int, source: int, text: str) -> None:
        """Say something in words, in pieces of 44 bytes; what is longer than four pieces is cut off."""
        data = text.encode()
        for part in range(_NOTE_PARTS_MAX):
            piece = data[part * _NOTE_SIZE : (part + 1) * _NOTE_SIZE]
            if part and not piece:
                return
            struct.pack_into("<BB44s", self._note.buffer, PAYLOAD, source, part, piece)
            self.put(self._note, t_ms)

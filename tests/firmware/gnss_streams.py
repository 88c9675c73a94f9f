"""Help for the GNSS tests: recorded streams with what others read in them, and an oracle of pynmeagps and pyubx2.

The streams and their expected rows are described in tests/data/gnss/SOURCES.md.
"""

import csv
from pathlib import Path

from pynmeagps import NMEAParseError, NMEAReader
from pyubx2 import UBXReader

from firmware.core import gnss_parser as gp
from firmware.core.gnss_epoch import EpochBuilder
from shared_protocol.records import UNKNOWN_I32, UNKNOWN_U16, UNKNOWN_U32

FOLDER = Path(__file__).parents[1] / "data" / "gnss"
STREAMS = sorted(path.name for path in FOLDER.glob("s*") if path.suffix != ".csv")

KINDS = {"RMC": gp.RMC, "GGA": gp.GGA, "GSA": gp.GSA, "ZDA": gp.ZDA, "TXT": gp.TXT}
FRAMES = {
    (0x01, 0x07): (gp.PVT, (84, 92)),
    (0x01, 0x06): (gp.SOL, (52,)),
    (0x01, 0x20): (gp.TIMEGPS, (16,)),
    (0x05, 0x00): (gp.ACK, (2,)),
    (0x05, 0x01): (gp.ACK, (2,)),
    (0x06, 0x24): (gp.NAV5, (36,)),
    (0x06, 0x8B): (gp.VALGET, (9,)),
    (0x0A, 0x04): (gp.VERSION, tuple(range(40, 641, 30))),
}


def read_stream(name):
    return (FOLDER / name).read_bytes()


def read_expected(name):
    """The rows of the expected CSV, blank cells as None, numbers as numbers."""
    with open(FOLDER / (Path(name).stem + ".fixes.csv"), newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    for row in rows:
        for key in ("byte_offset", "lat_deg", "lon_deg", "alt_msl_m", "sats_used", "hdop", "speed_mps", "course_deg"):
            row[key] = float(row[key]) if row[key] else None
        row["byte_offset"] = int(row["byte_offset"])
        row["valid"] = row["valid"] == "1"
    return rows


def expected_epochs(rows):
    """Rows of the same moment together. NAV-SOL has no UTC and belongs to the epoch that follows it in the stream."""
    epochs = []
    for row in rows:
        if row["source"] == "NAV-SOL":
            continue
        seconds = None
        if row["utc_time"]:
            hours, minutes, rest = row["utc_time"].split(":")
            seconds = int(hours) * 3600 + int(minutes) * 60 + float(rest)
        row["seconds"] = seconds
        last = epochs[-1] if epochs else None
        new = (
            last is None
            or any(other["source"] == row["source"] for other in last)
            or any(other["seconds"] != seconds for other in last)
        )
        if new:
            epochs.append([row])
        else:
            last.append(row)
    return epochs


class Pump:
    """Parser and epoch builder, pumped as the receiver driver does; rows are collected as dictionaries."""

    def __init__(self, byte_us=0):
        self.parser = gp.GnssParser()
        self.parser.byte_us = byte_us
        self.epoch = EpochBuilder(self.parser)
        self.now_ms = 1000
        self.rows = []
        self.messages = []

    def feed(self, data):
        for at in range(0, len(data), 256):
            piece = data[at : at + 256]
            self.parser.feed(piece, len(piece), self.now_ms)
            self._use()

    def silence(self, ms=500):
        self.now_ms += ms
        self.parser.idle(self.now_ms)
        self._use()
        self.epoch.finish()
        self._collect()

    def _use(self):
        while True:
            kind = self.parser.next()
            if kind == gp.NONE:
                return
            if kind <= gp.TIMEGPS and kind != gp.TXT and not self.epoch.take(kind):
                self._collect()
                continue
            self.messages.append((kind, bytes(self.parser.buf[self.parser.begin : self.parser.stop])))
            self.parser.done()
            self._collect()

    def _collect(self):
        if self.epoch.fix_ready:
            self.epoch.fix_ready = False
            self.rows.append(plain(self.epoch.fix, "fix"))
        if self.epoch.ecef_ready:
            self.epoch.ecef_ready = False
            self.rows.append(plain(self.epoch.ecef, "ecef"))


def plain(row, record):
    """A row as a dictionary, the marks for "unknown" as None."""
    values = dict(vars(row))
    marks = {"hdop": UNKNOWN_U16, "satellites": 0xFF, "accuracy": UNKNOWN_U32, "leap": -128, "week": -1}
    if record == "fix":
        marks.update(dict.fromkeys(("year", "month", "day"), 0))
    for key, value in values.items():
        if value == marks.get(key, UNKNOWN_I32):
            values[key] = None
    values["record"] = record
    return values


def rows_of(pieces, silence_at_end=True):
    """Rows that a list of byte strings gives, one fed after the other without a pause."""
    pump = Pump()
    for piece in pieces:
        pump.feed(piece)
    if silence_at_end:
        pump.silence()
    return pump.rows


def fixes(rows):
    return [row for row in rows if row["record"] == "fix" and row["fix_type"]]


def _sentence_at(data, place):
    """(kind, end) if a sentence that we use and pynmeagps accepts begins here."""
    star = data.find(b"*", place, place + 120)
    if star < 0 or star + 3 > len(data):
        return None
    text = data[place : star + 3]
    if b"$" in text[1:] or b"\n" in text or not text.isascii():
        return None
    kind = KINDS.get(text[3:6].decode("ascii"))
    if kind is None or text[1:2] == b"P" or text[6:7] != b",":
        return None
    check = 0
    for character in text[1:-3]:
        check ^= character
    try:
        said = int(text[-2:], 16) if text[-2:].isalnum() else -1
    except ValueError:
        said = -1
    try:
        NMEAReader.parse(text + b"\r\n")
        accepted = True
    except NMEAParseError:  # that is what a wrong check sum raises
        accepted = False
    except Exception:  # it can't make sense of a talker or field, which says nothing about the check sum
        accepted = said == check
    assert accepted == (said == check), text
    return (kind, star + 3, text[:-3]) if accepted else None


def _frame_at(data, place):
    """(kind or None, end) if a UBX frame that pyubx2 accepts begins here."""
    size = int.from_bytes(data[place + 4 : place + 6], "little")
    end = place + 8 + size
    if len(data) < place + 8 or end > len(data):
        return None
    frame = data[place:end]
    a = b = 0
    for value in frame[2:-2]:
        a = (a + value) & 0xFF
        b = (b + a) & 0xFF
    right = frame[-2:] == bytes((a, b))
    kind, sizes = FRAMES.get((frame[2], frame[3]), (None, ()))
    try:
        UBXReader.parse(frame)
        accepted = True
    except Exception as error:  # a wrong check sum, or a payload that it can't make sense of
        accepted = right and "checksum" not in str(error)
    assert accepted == right, frame
    if not accepted or size > 1100:
        return None
    return (kind if size in sizes else None), end, frame[:-2]


def oracle(data):
    """Messages of ours in `data` as (kind, bytes), by looking at every place and asking pynmeagps and pyubx2."""
    found = []
    place = 0
    while place < len(data):
        result = None
        if data[place] == 0x24:
            result = _sentence_at(data, place)
        elif data[place : place + 2] == b"\xb5b":
            result = _frame_at(data, place)
        if result is None:
            place += 1
            continue
        kind, place, message = result
        if kind is not None:
            found.append((kind, message))
    return found

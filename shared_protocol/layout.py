"""The text in a log's first sectors: what the file is, whom to call, and the layout of every record in it.

Written for two readers: a stranger who opens the file in an editor, and a program that has nothing else to go by.
Lines are ASCII, at most 477 bytes, and never straddle a sector.
"""

from shared_protocol.event_text import EVENTS, SOURCES
from shared_protocol.frame import FORMAT_VERSION, PAYLOAD_SIZES, TEXT_SIZE
from shared_protocol.records import RECORDS

_INTRODUCTION = (
    "Bytes: numbers are little-endian. B b = 1 byte, H h = 2, I i = 4 (capital: unsigned,",
    "small: signed, two's complement); 8s = 8 bytes of text or code, zero-filled.",
    "Sector: 512 bytes. First a header frame (30 bytes), then frames that never run into",
    "the next sector, the rest FF. If the header says kind 1 (like this one): 478 bytes of",
    "text after it, then I = crc32(first 508 bytes).",
    "Frame: sync H = 5AA5 hex | type B | length B, of the payload | seq H, counts frames of",
    "one boot | t_ms I, milliseconds since that boot | payload | crc I.",
    "CRC: CRC-32 as in zlib, of everything from sync to the payload's end. Header frames:",
    "crc32(data). All others: crc32(data, crc32(8 bytes: log_id I, boot I)), the second",
    "argument being the start value; log_id and boot stand in the sector's header.",
    "A frame whose CRC fails is no frame: look for the next sync at any byte.",
    "Value of a field = raw / divisor, in its unit; raw equal to 'unknown' means not known.",
)

_FLAGS = (
    "flags of readings: 1 stale, 2 bus error, 4 after a reset, 8 never converted, 16 frozen,",
    "32 at a limit, 64 date assumed, 128 a jump.",
)


def _field_line(field):
    name, code, unit, divisor, invalid, _meaning = field
    line = "field " + name + " " + code
    if divisor != 1:
        line += " divisor " + str(divisor)
    if unit:
        line += " unit " + unit
    if invalid is not None:
        line += " unknown " + str(invalid)
    return line


def lines(contact):
    """Yield the lines. `contact` is the settings' free text: whom to call when the box is found."""
    yield "THISTLEDOWN flight log, format %d" % FORMAT_VERSION
    yield "Readings of a box flown under a stratosphere balloon. If you found it, thank you:"
    for line in contact.split("\n"):
        # anything that a plain editor could trip over becomes a question mark
        yield "".join([ch if " " <= ch <= "~" else "?" for ch in line])[: TEXT_SIZE - 2] or "no contact was given"
    for line in _INTRODUCTION:
        yield line
    for record_type, name, fields in RECORDS:
        yield "record %d %s length %d" % (record_type, name, PAYLOAD_SIZES[record_type])
        for field in fields:
            yield _field_line(field)
    for line in _FLAGS:
        yield line
    for index in range(len(SOURCES)):
        yield "source %d %s" % (index, SOURCES[index])
    yield "In events {a} and {b} are the two details, {a hex} in hexadecimal, {a/100} a hundredth,"
    yield "{b m|unknown} metres (-1: unknown)."
    for code, _name, sentence in EVENTS:
        yield "event %d %s" % (code, sentence)
    yield "end of text"


def text_sectors(contact):
    """Yield the text of one text sector after another: whole lines, at most 477 bytes."""
    text = ""
    for line in lines(contact):
        if text and len(text) + 1 + len(line) > TEXT_SIZE - 1:
            yield text
            text = line
        else:
            text = text + "\n" + line if text else line
    yield text

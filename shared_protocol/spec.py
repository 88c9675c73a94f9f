"""SPEC.md, made from the declarations: `python -m shared_protocol.spec > shared_protocol/SPEC.md`.

A test fails when the committed page and the declarations differ.
"""

import struct

from shared_protocol.event_text import EVENTS, SOURCES
from shared_protocol.frame import FORMAT_VERSION, OVERHEAD
from shared_protocol.link import COMMANDS, LINK_ID, LINK_RECORDS, LINK_VERSION
from shared_protocol.records import RECORDS, payload_format

_HEAD = """# The log format, byte by byte

*Made from the declarations in `records.py` and `event_text.py` by `python -m shared_protocol.spec`; do not edit. Why it
is so stands in `DESIGN.md`.*

Format version {version}. All numbers are little-endian. Field codes are those of Python's `struct`: `B b` one byte,
`H h` two, `I i` four (capitals unsigned, small letters signed), `8s` eight bytes, zero-filled.

## File

A log is one file, `TD000001.LOG` and counting up, in the card's root directory. It is created at its full size when it
is armed; after that only its 512-byte sectors are written, each once, in rising order. Sector *k* of the file carries
the number *k*. Numbers may be missing: a power-up that resumes a log leaves out one sector that may have been torn, and
a sector that the card refused is left behind. Behind the last sector written lies whatever the card held before.

A second copy lies in the board's own flash: files `part000.log` and so on in the folder `copy`, each at most 63 sectors
of the same form, end to end. Their headers have bit 3 of `flags` set and numbers of their own: `sector` counts every
sector ever given to this ring of files, so the files in their order are those sorted by the first header's `sector`.
A frame of the copy is, byte for byte, the frame of the same boot, sequence number and time on the card.

## Sector

| bytes | content |
| --- | --- |
| 0 to 29 | header frame, type 0, CRC started from 0 |
| 30 to 511, kind 0 | frames, end to end, none running into the next sector; the rest is FF |
| 30 to 507, kind 1 | ASCII text, whole lines, padded with spaces, ending in a newline |
| 508 to 511, kind 1 | CRC-32 of bytes 0 to 507, started from 0 |

A header's `seq` is that of the next data frame, its `t_ms` the time at which the sector was closed.

## Frame

| offset | code | field |
| --- | --- | --- |
| 0 | `H` | sync, 5AA5 hex (bytes A5 5A) |
| 2 | `B` | record type |
| 3 | `B` | payload length in bytes |
| 4 | `H` | sequence number: counts the data frames of one boot, modulo 65536 |
| 6 | `I` | milliseconds since that boot |
| 10 | | payload |
| 10 + length | `I` | CRC-32 (ISO-HDLC, as in zlib) of everything before it, from sync on |

The CRC of a data frame is started from `crc32(log_id I, boot I)`, both from the sector's header, as
`zlib.crc32(data, start)` takes it. A frame is accepted only if its type and length are a pair of the table below and
its CRC holds. Lengths are even, so in an undamaged log every frame begins at an even offset.

## Records

Value = raw number / divisor, in the unit given; a raw number equal to *unknown* stands for "not known".
"""

_FLAGS = """
## Flags of readings

| bit | meaning |
| --- | --- |
| 1 | stale: older than its period |
| 2 | the bus failed in this reading or just before it |
| 4 | power-on value, or the first reading after the chip restarted |
| 8 | the chip had finished no conversion |
| 16 | frozen: the same value for longer than a live sensor allows |
| 32 | at a limit (overflow of the chip; altitude limit of a receiver) |
| 64 | fix: the message gave no date, the last known one was used |
| 128 | fix: farther from the fix before than anything flies in that time |
"""


_LINK = """
## The link of the bench

A board on the bench sends the same frames over its serial line while they go into the log, and the link's own; the
ground sends commands. Version {version}. What is salted is salted for the session: `crc32({link_id:08X} hex I, session
I)`, the session from the hello. Unsalted are the hello and, from a ground that knows no session, the commands `hello`
and `stop`. A record keeps its log's `seq` and `t_ms`; in a command `seq` is a number that its reply repeats, and that
of a command asked again because no reply came. None of these types is ever in a log. Once a second a sector header goes
by, with the link's id as `log_id` and the session as `boot`: so a capture of the line decodes like a log.
"""


def _tables(declarations):
    """The tables of records, one after the other."""
    for record_type, name, fields in declarations:
        length = struct.calcsize(payload_format(fields))
        yield f"### {record_type} `{name}`: payload {length}, frame {length + OVERHEAD} bytes\n"
        yield "| field | code | unit | divisor | unknown | meaning |\n| --- | --- | --- | --- | --- | --- |"
        for field, code, unit, divisor, invalid, meaning in fields:
            unknown = "" if invalid is None else invalid
            yield f"| `{field}` | `{code}` | {unit} | {divisor} | {unknown} | {meaning} |"
        yield ""


def _link():
    """The part about the link."""
    yield _LINK.format(version=LINK_VERSION, link_id=LINK_ID)
    yield from _tables(LINK_RECORDS)
    yield "### Commands\n"
    yield "| code | name | arguments | answers |\n| --- | --- | --- | --- |"
    for code, name, arguments, answers in COMMANDS:
        yield f"| {code} | `{name}` | {', '.join(arguments)} | {', '.join(answers)} |"


def page():
    """The whole of SPEC.md as text."""
    out = [_HEAD.format(version=FORMAT_VERSION)]
    out.extend(_tables(RECORDS))
    out.append(_FLAGS.strip() + "\n")
    out.append("## Sources of events\n")
    out.append("| number | part |\n| --- | --- |")
    out.extend(f"| {number} | {name} |" for number, name in enumerate(SOURCES))
    out.append("\n## Events\n")
    out.append("`{a}` and `{b}` stand for the record's two details.\n")
    out.append("| code | name | says |\n| --- | --- | --- |")
    out.extend(f"| {code} | {name} | {sentence} |" for code, name, sentence in EVENTS)
    out.extend(_link())
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    print(page(), end="")

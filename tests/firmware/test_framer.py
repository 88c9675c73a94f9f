"""The board's writer of frames against the plain form in shared_protocol, on both Pythons."""

import pytest

from tests.interpreters import INTERPRETERS, run

SETUP = """
import struct
from firmware.core.framer import PAYLOAD, Frame, Framer
from firmware.core.journal import Journal
from firmware.core.schedule import Clock
from shared_protocol import frame, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.fakes import VirtualTime

time = VirtualTime()
clock = Clock(time.ticks_ms, time.ticks_diff)
framer = Framer(clock, 4)
health = Frame(records.HEALTH)

def put(seq_mark, t_ms):
    struct.pack_into(health.format, health.buffer, PAYLOAD, seq_mark, 2, 3, 4, 5, 6, 7, 8, 9)
    framer.put(health, t_ms)

def take(number, log_id, boot):
    sector = bytes(framer.seal(number, 0, 77))
    framer.release(0)
    return sector, list(scan.frames(sector, frame_salt(log_id, boot), frame.HEADER_SIZE))
"""


def check(body, interpreter):
    run(SETUP + body, interpreter)


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_every_record_type_is_framed_as_the_plain_encoder_does_it(interpreter):
    check(
        """
framer.begin(0x89ABCDEF, 7)
at = frame.HEADER_SIZE
for number, (record_type, name, fields) in enumerate(records.RECORDS[1:]):
    staged = Frame(record_type)
    values = [b"ab" if field[1].endswith("s") else 5 + place for place, field in enumerate(fields)]
    struct.pack_into(staged.format, staged.buffer, PAYLOAD, *values)
    framer.put(staged, 0xFFFFFFF0 + number)
    sector = framer.seal(3, 0, 77)
    expected = frame.encode(record_type, number, 0xFFFFFFF0 + number, values, frame_salt(0x89ABCDEF, 7))
    assert bytes(sector[at : at + len(expected)]) == expected, name
    framer.release(0)
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_header_says_log_boot_place_flags_and_the_sequence_of_the_first_frame(interpreter):
    check(
        """
framer.begin(0xFEDCBA98, 4000000000)
framer.seq = 65535
put(1, 10)
put(2, 20)
header = frame.decode_header(framer.seal(123456, 5, 4000000001))
assert header == (0xFEDCBA98, 4000000000, 123456, frame.FORMAT_VERSION, 0, 5, 65535, 4000000001), header
sector, found = take(123457, 0xFEDCBA98, 4000000000)
assert frame.decode_header(sector)[2] == 123457
assert [entry[2] for entry in found] == [65535, 0]
assert sector[-10:] == b"\\xff" * 10
assert not framer.has_frames()
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_frames_never_straddle_sectors_and_none_is_lost(interpreter):
    check(
        """
framer.begin(1, 1)
seen = []
for number in range(200):
    put(number, number)
    while framer.waits(0, 100000):
        sector, found = take(number, 1, 1)
        seen += [entry[2] for entry in found]
while framer.has_frames():
    seen += [entry[2] for entry in take(0, 1, 1)[1]]
assert seen == list(range(200)), seen
assert framer.dropped == 0
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_when_no_sector_is_free_frames_are_dropped_counted_and_missing_in_the_sequence(interpreter):
    check(
        """
framer.begin(1, 1)
for number in range(100):
    put(number, number)
kept = []
while framer.has_frames():
    kept += [entry[2] for entry in take(0, 1, 1)[1]]
assert kept == list(range(len(kept))) and len(kept) == 4 * 13, kept
assert framer.dropped == 100 - len(kept)
put(100, 100)
assert [entry[2] for entry in take(0, 1, 1)[1]] == [100]
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_what_was_put_before_the_log_was_known_is_signed_for_it_afterwards(interpreter):
    check(
        """
journal = Journal(framer)
for number in range(8):
    put(number, number)
    journal.note(number, 3, "x" * 60)
framer.begin(0xC0FFEE, 9)
seen = 0
while framer.has_frames():
    seen += len(take(0, 0xC0FFEE, 9)[1])
assert seen == 24, seen
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_sector_waits_until_it_is_full_or_old(interpreter):
    check(
        """
framer.begin(1, 1)
time.ms = 5000
clock.now()
put(1, 1000)  # a reading may be older than its sector
assert not framer.waits(5899, 900)
assert framer.waits(5900, 900)
for number in range(12):
    put(number, 5000)
assert not framer.waits(5100, 900)
put(13, 5000)
assert framer.waits(5100, 900)
""",
        interpreter,
    )


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_what_comes_while_a_sector_is_being_written_goes_into_the_next_one(interpreter):
    check(
        """
framer.begin(1, 1)
put(1, 10)
sealed = bytes(framer.seal(0, 0, 77))
put(2, 20)
assert bytes(framer.seal(0, 0, 77)) == sealed
framer.release(0)
assert [(seq, t_ms) for _, _, seq, t_ms, _ in take(1, 1, 1)[1]] == [(1, 20)]
assert not framer.has_frames()
""",
        interpreter,
    )

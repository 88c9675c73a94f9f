"""Frames out of a stream of bytes: whole, in pieces, between rubbish, on both Pythons."""

import json
import random

import pytest

from ground.bench.link import LINK_SIZES
from shared_protocol import link, records
from shared_protocol.crc import UNSALTED
from tests.bench import link_noise
from tests.interpreters import INTERPRETERS, run

SALT = link.link_salt(12345)
FRAMES = [
    link.encode(link.COMMAND, 7, 0, (link.ECHO, 0, 5, -6), SALT),
    link.encode(link.REPLY, 7, 1234, (link.ECHO, link.DONE, 5, -6, 0, 0), SALT),
    link.encode(link.STATUS, 1, 2000, (3, 0, 0, 50, 90000, 60000), SALT),
]
RUBBISH = b"\xa5\xa5\x5a\x41\xff MPY \x5a\xa5\x5a\x04"
ALL_SIZES = {**LINK_SIZES, link.COMMAND: 10}

CODE = """
import json
from shared_protocol import link
pieces, sizes, salt = json.loads({arguments!r})
splitter = link.Splitter({{int(key): size for key, size in sizes.items()}}, (salt, 0))
found = []
for piece in pieces:
    for kind, number, t_ms, payload, place in splitter.feed(bytes(piece)):
        found.append([kind, number, t_ms, list(payload), place])
print(json.dumps([found, splitter.skipped, splitter.good]))
"""


def split(pieces, interpreter="cpython"):
    """What a splitter makes of the pieces: frames, bytes skipped, frames counted."""
    arguments = json.dumps([[list(piece) for piece in pieces], ALL_SIZES, SALT])
    return json.loads(run(CODE.format(arguments=arguments), interpreter))


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize("size", [1, 2, 13, 1000])
def test_frames_come_out_however_the_bytes_come_in(interpreter, size):
    stream = RUBBISH + RUBBISH.join(FRAMES) + RUBBISH
    found, skipped, good = split([stream[at : at + size] for at in range(0, len(stream), size)], interpreter)
    assert [frame[:2] for frame in found] == [[link.COMMAND, 7], [link.REPLY, 7], [link.STATUS, 1]]
    assert good == 3
    held_back = len(stream) - skipped - sum(map(len, FRAMES))
    assert 0 <= held_back < 14  # the rubbish at the end may be the beginning of a frame


def test_every_single_garbled_byte_costs_its_own_frame_and_no_other():
    stream = b"".join(FRAMES)
    ends = [sum(map(len, FRAMES[: n + 1])) for n in range(3)]
    for place in range(len(stream)):
        hurt = bytearray(stream)
        hurt[place] ^= 0x10
        splitter = link.Splitter(ALL_SIZES, (SALT, UNSALTED))
        kinds = [frame[0] for frame in splitter.feed(bytes(hurt) + bytes(400))]
        victim = next(n for n, end in enumerate(ends) if place < end)
        assert kinds == [frame[2] for n, frame in enumerate(FRAMES) if n != victim], place


def test_every_single_lost_byte_costs_its_own_frame_and_no_other():
    stream = b"".join(FRAMES)
    ends = [sum(map(len, FRAMES[: n + 1])) for n in range(3)]
    for place in range(len(stream)):
        splitter = link.Splitter(ALL_SIZES, (SALT, UNSALTED))
        kinds = [frame[0] for frame in splitter.feed(stream[:place] + stream[place + 1 :] + bytes(400))]
        victim = next(n for n, end in enumerate(ends) if place < end)
        assert kinds == [frame[2] for n, frame in enumerate(FRAMES) if n != victim], place


def test_a_frame_of_another_session_is_no_frame():
    splitter = link.Splitter(ALL_SIZES, (link.link_salt(54321), UNSALTED))
    assert splitter.feed(b"".join(FRAMES)) == []


def test_an_unsalted_frame_is_told_from_a_salted_one():
    unsalted = link.encode(link.COMMAND, 1, 0, (link.ASK_HELLO, 0, 0, 0), UNSALTED)
    splitter = link.Splitter(ALL_SIZES, (SALT, UNSALTED))
    assert [frame[4] for frame in splitter.feed(FRAMES[0] + unsalted)] == [0, 1]


def test_a_break_in_the_line_forgets_half_a_frame():
    splitter = link.Splitter(ALL_SIZES, (SALT, UNSALTED))
    splitter.feed(FRAMES[0][:20])
    splitter.drop()
    assert [frame[0] for frame in splitter.feed(FRAMES[1])] == [link.REPLY]


def test_records_of_the_link_are_none_of_a_log_and_even():
    kinds = {entry[0] for entry in link.LINK_RECORDS}
    assert not kinds & {entry[0] for entry in records.RECORDS}
    assert all(size % 2 == 0 for size in ALL_SIZES.values())


def test_codes_of_commands_are_told_apart():
    codes = [code for code, _name, _arguments, _answers in link.COMMANDS]
    assert len(set(codes)) == len(codes)


@pytest.mark.parametrize("damage", link_noise.DAMAGES)
def test_noise_lets_through_what_it_did_not_touch_and_nothing_false(damage):
    for seed in (1, 2):
        sent, untouched, delivered, lost, wrong = link_noise.measure(6000, seed, damage)
        assert wrong == 0, f"seed {seed}"
        assert delivered >= 0.9 * sent, f"seed {seed}"
        # a frame that lost its last byte may find it again in the first one of the next, which is then lost instead
        assert delivered >= untouched and lost <= 1, f"seed {seed}"


def test_frames_full_of_sync_words_come_through():
    rng = random.Random(5)
    frames = []
    for number in range(300):
        payload = tuple(0x5AA5 if rng.random() < 0.7 else rng.randrange(0x10000) for _ in range(4))
        values = (*payload, 0x5AA55AA5, 0xA55A5AA5)
        frames.append(link.encode(link.STATUS, number, 0x5AA55AA5, values, SALT))
    splitter = link.Splitter(ALL_SIZES, (SALT, UNSALTED))
    found = splitter.feed(b"\xa5\x5a\x43".join(frames))
    assert [frame[1] for frame in found] == list(range(300))

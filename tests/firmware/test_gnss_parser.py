"""Messages out of bytes: nothing lost but what is broken, nothing invented, however the bytes arrive.

The oracle looks at every place of the stream and asks pynmeagps and pyubx2, which know nothing of our parser.
"""

import random

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyubx2 import UBXMessage

from firmware.core import gnss_parser as gp
from firmware.core.gnss_commands import Commands, message
from tests.check_values import check_value
from tests.firmware.gnss_streams import STREAMS, Pump, oracle, read_stream

RMC = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
GSV = b"$GPGSV,2,2,06,02,07,178,32,24,40,121,35*73\r\n"
ACK = bytes.fromhex(check_value("ubx.ack.nav5")["expected"]["frame_hex"])
PVT = bytes.fromhex(check_value("ubx.nav_pvt.example")["inputs"]["frame_hex"])
SAT = UBXMessage("NAV", "NAV-SAT", 0, payload=bytes(range(0x20, 0x28)) + b"$" * 120).serialize()  # not one of ours
PIECES = (RMC, GGA, GSV, ACK, PVT, SAT)


def messages_of(data, sizes=None):
    """What the parser finds when `data` comes in pieces of these sizes (again and again), and how many were bad."""
    pump = Pump()
    at = 0
    turn = 0
    while at < len(data):
        size = sizes[turn % len(sizes)] if sizes else len(data)
        pump.feed(data[at : at + size])
        at += size
        turn += 1
    pump.silence()
    return pump.messages, pump.parser.bad


@pytest.mark.parametrize("stream", STREAMS)
def test_recorded_streams_give_the_messages_that_others_find(stream):
    data = read_stream(stream)
    expected = oracle(data)
    assert expected
    chance = random.Random(1)
    for sizes in (None, [1], [2, 3, 5, 7], [chance.randrange(1, 300) for _ in range(50)]):
        assert messages_of(data, sizes)[0] == expected


@pytest.mark.parametrize("stream", STREAMS)
def test_rubbish_between_messages_changes_nothing(stream):
    data = read_stream(stream)
    expected = oracle(data)
    chance = random.Random(2)
    noisy = b""
    at = 0
    while True:
        places = [place for place in (data.find(b"$G", at + 1), data.find(b"\xb5b", at + 1)) if place > 0]
        end = min(places) if places else len(data)
        noisy += data[at:end]
        if not places:
            break
        rubbish = bytes(chance.choice(b"$*\xb5b\x01\x07,GPRMC\r\n\x00\xff5C") for _ in range(chance.randrange(0, 40)))
        noisy += rubbish
        at = end
    assert len(noisy) > len(data) * 1.05
    found = messages_of(noisy, [chance.randrange(1, 200) for _ in range(50)])[0]
    assert found == oracle(noisy)
    lost = [each for each in expected if each not in found]
    assert not lost or stream.endswith((".bin", ".ubx"))  # rubbish may fall into a binary message; never beside it


def test_resynchronisation_as_in_the_check_value():
    case = check_value("ubx.stream.resync")
    messages, bad = messages_of(bytes.fromhex(case["inputs"]["stream_hex"]))
    assert [(kind, data[3]) for kind, data in messages] == [(gp.ACK, 1), (gp.ACK, 0)]
    assert bad == case["expected"]["bad_checksum_frames"]


@st.composite
def spoilt_streams(draw):
    """Messages in any order; some cut, some spliced into each other, some with flipped bits, rubbish between."""
    parts = []
    for _ in range(draw(st.integers(1, 8))):
        part = bytearray(draw(st.sampled_from(PIECES)))
        damage = draw(st.sampled_from(("none", "none", "cut", "head", "flip", "splice", "rubbish", "length")))
        if damage == "cut":
            del part[draw(st.integers(0, len(part) - 1)) :]
        elif damage == "head":
            del part[: draw(st.integers(1, len(part)))]
        elif damage == "flip":
            part[draw(st.integers(0, len(part) - 1))] ^= 1 << draw(st.integers(0, 7))
        elif damage == "splice":
            part[draw(st.integers(0, len(part))) : 0] = draw(st.sampled_from(PIECES))
        elif damage == "rubbish":
            part += draw(st.binary(max_size=40))
        elif damage == "length" and part[0] == 0xB5:
            part[4] = draw(st.integers(0, 255))
            part[5] = draw(st.integers(0, 6))
        parts.append(bytes(part))
    return b"".join(parts)


@given(spoilt_streams(), st.lists(st.integers(1, 256), min_size=1, max_size=6))
@example(RMC[:40] + GGA, [1])
@example(PVT[:50] + PVT + RMC, [7])
@example(b"\xb5b\x01\x35\x4c\x04" + PVT + GGA, [256])
def test_spoilt_streams_give_the_messages_that_others_find(data, sizes):
    assert messages_of(data, sizes)[0] == oracle(data)


@given(st.binary(max_size=600), st.lists(st.integers(1, 256), min_size=1, max_size=4))
def test_no_bytes_make_it_raise(data, sizes):
    messages_of(data, sizes)


@pytest.mark.parametrize("piece", [RMC, GGA, ACK, PVT])
def test_every_flipped_bit_of_a_message_is_noticed(piece):
    end = len(piece) - (2 if piece.startswith(b"$") else 0)  # the line end is no part of a sentence
    for bit in range(8 * end):
        spoilt = bytearray(piece)
        spoilt[bit // 8] ^= 1 << bit % 8
        found = messages_of(bytes(spoilt) + GSV + ACK)[0]
        if piece.startswith(b"$") and bytes(spoilt[-5:]).upper() == piece[-5:].upper() and len(found) == 2:
            assert bit // 8 >= len(piece) - 4  # "a" for "A" in the check sum is the same number
            continue
        assert [kind for kind, _ in found] == [gp.ACK], bit


def test_a_lost_byte_costs_only_its_own_message():
    for place in range(len(PVT)):
        found = messages_of(PVT[:place] + PVT[place + 1 :] + PVT + RMC, [50])[0]
        assert [kind for kind, _ in found] == [gp.PVT, gp.RMC], place


def test_a_false_length_costs_only_its_own_message():
    for size in (0, 1, 91, 93, 500, 1100, 1101, 40000, 65535):
        spoilt = PVT[:4] + size.to_bytes(2, "little") + PVT[6:]
        found = messages_of(spoilt + RMC + GGA + PVT * 3, [100])[0]
        assert [kind for kind, _ in found] == [gp.RMC, gp.GGA, gp.PVT, gp.PVT, gp.PVT], size


def test_an_incomplete_message_is_given_up_in_silence():
    pump = Pump()
    pump.feed(PVT[:70])
    pump.feed(RMC)
    pump.silence()
    assert [kind for kind, _ in pump.messages] == [gp.RMC]


def test_a_message_inside_the_payload_of_another_one_is_not_taken():
    shell = message(0x02, 0x13, b"abc" + GGA + PVT + b"def")
    assert messages_of(shell + RMC)[0] == [(gp.RMC, RMC[:-5])]
    assert messages_of(shell, [1])[0] == []
    spoilt = shell[:-1] + bytes([shell[-1] ^ 1])  # that was no real shell: what is inside counts
    assert [kind for kind, _ in messages_of(spoilt)[0]] == [gp.GGA, gp.PVT]


def test_an_unknown_message_inside_another_one_does_not_open_it():
    shell = message(0x02, 0x13, b"abc\xb5b\x02\x14\x05\x00" + GGA + b"def")
    assert messages_of(shell + RMC)[0] == [(gp.RMC, RMC[:-5])]


def test_a_long_message_of_no_use_keeps_its_place_while_the_buffer_moves():
    first = message(0x02, 0x13, bytes(900))
    second = message(0x02, 0x13, bytes(800) + GGA)
    assert messages_of(first + second + RMC, [256])[0] == [(gp.RMC, RMC[:-5])]
    for lead in range(0, 1500, 37):  # wherever it lies in the buffer
        stream = b"$GNRMC,1" * (lead // 8) + second + RMC + GGA
        assert messages_of(stream, [200])[0] == [(gp.RMC, RMC[:-5]), (gp.GGA, GGA[:-5])], lead


@pytest.mark.parametrize("change", [(10, 20, 0x80), (10, 20, None)])
def test_a_sentence_with_bytes_that_are_no_text_is_refused_though_its_check_sum_is_right(change):
    first, second, flip = change
    spoilt = bytearray(RMC)
    if flip:
        spoilt[first] ^= flip
        spoilt[second] ^= flip
    else:
        spoilt[second:second] = b"\n"
        spoilt[first:first] = b"\n"
    assert messages_of(bytes(spoilt) + GGA)[0] == [(gp.GGA, GGA[:-5])]


def test_sentences_need_a_check_sum_and_may_end_in_any_way():
    bare = RMC[:-2]
    for end in (b"\r\n", b"\n", b"\r", b"", b"\x00"):
        assert [kind for kind, _ in messages_of((bare + end) * 2)[0]] == [gp.RMC] * 2
    assert messages_of(RMC[:-5] + b"\r\n" + RMC[:-5] + b"*\r\n")[0] == []
    lower = bare[:-2] + bare[-2:].lower()
    assert len(messages_of(lower)[0]) == 1


def test_text_and_binary_follow_each_other_without_a_line_end():
    found = messages_of(RMC[:-2] + PVT + GGA[:-2] + ACK + RMC, [3])[0]
    assert [kind for kind, _ in found] == [gp.RMC, gp.PVT, gp.GGA, gp.ACK, gp.RMC]


def test_a_sentence_that_is_too_long_is_dropped():
    body = b"GPRMC," + b"1" * 130
    check = 0
    for character in body:
        check ^= character
    assert messages_of(b"$" + body + b"*%02X\r\n" % check + GGA)[0] == [(gp.GGA, GGA[:-5])]


def test_the_time_of_a_message_is_that_of_its_first_byte():
    pump = Pump(byte_us=1042)  # 9600 baud
    pump.now_ms = 5000
    pump.parser.feed(b"", 0, 5000)
    pump.parser.idle(4900)
    data = RMC + GGA
    times = []
    for at in range(0, len(data), 48):
        piece = data[at : at + 48]
        pump.now_ms += 50
        pump.parser.feed(piece, len(piece), pump.now_ms)
        while (kind := pump.parser.next()) != gp.NONE:
            times.append((kind, pump.parser.ms))
            pump.parser.done()
    assert times[0][0] == gp.RMC and abs(times[0][1] - 5000) <= 1
    assert times[1][0] == gp.GGA and abs(times[1][1] - (5000 + len(RMC) * 1.042)) <= 3


def test_a_reader_that_never_takes_anything_loses_bytes_and_nothing_else():
    parser = gp.GnssParser()
    for now_ms in range(0, 4000, 100):
        parser.feed(GGA, len(GGA), now_ms)
    assert parser.next() == gp.GGA
    assert parser.bad >= 1


def test_our_commands_are_those_of_the_check_values():
    commands = Commands(6)
    for sent, name in (
        (commands.identify, "ubx.mon_ver.poll"),
        (commands.set_model[0], "ubx.cfg_nav5.set6"),
        (commands.set_model[1], "ubx.valset.dyn6.RAM"),
        (commands.ask_model[0], "ubx.cfg_nav5.poll"),
        (commands.ask_model[1], "ubx.valget.dyn"),
        (commands.pvt_on[0], "ubx.cfg_msg.pvt1"),
        (Commands(8).set_model[0], "ubx.cfg_nav5.set8"),
        (Commands(0).set_model[0], "ubx.cfg_nav5.set0"),
    ):
        assert sent == bytes.fromhex(check_value(name)["expected"]["frame_hex"]), name


def test_replies_of_the_check_values_are_recognised():
    for name, kind in (
        ("ubx.ack.nav5", gp.ACK),
        ("ubx.nak.nav5", gp.ACK),
        ("ubx.ack.valset", gp.ACK),
        ("ubx.nak.valset", gp.ACK),
        ("ubx.valget.reply", gp.VALGET),
        ("ubx.cfg_nav5.full", gp.NAV5),
        ("ubx.nav_pvt.nofix", gp.PVT),
    ):
        frame = bytes.fromhex(check_value(name)["expected"]["frame_hex"])
        assert messages_of(frame)[0] == [(kind, frame[:-2])], name
    for name in ("ubx.cfg_nav5.poll", "ubx.valget.dyn", "ubx.cfg_msg.pvt1", "ubx.cfg_rate.1hz", "ubx.nav_pvt.poll"):
        assert messages_of(bytes.fromhex(check_value(name)["expected"]["frame_hex"]))[0] == [], name

"""Frames and sector headers, on both Pythons, against vectors that the project's code did not make."""

import json
import struct
import zlib
from pathlib import Path

import crcmod
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared_protocol import frame, scan
from shared_protocol.crc import frame_salt
from shared_protocol.records import HEADER, RECORDS, declaration, payload_format
from tests.check_values import check_value
from tests.interpreters import INTERPRETERS, run

VECTORS = json.loads((Path(frame.__file__).parent / "vectors" / "frames.json").read_text(encoding="utf-8"))["frames"]
DATA_TYPES = [entry[0] for entry in RECORDS if entry[0] != HEADER]


@pytest.mark.parametrize("vector", VECTORS, ids=lambda vector: vector["name"])
def test_frame_has_the_bytes_of_the_golden_vector(vector):
    made = frame.encode(vector["type"], vector["seq"], vector["t_ms"], vector["values"], vector["salt"])
    assert made.hex() == vector["hex"]


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_both_pythons_make_the_golden_frames(interpreter):
    code = (
        "import json\nfrom shared_protocol import frame\n"
        "for v in json.load(open('shared_protocol/vectors/frames.json'))['frames']:\n"
        "    made = frame.encode(v['type'], v['seq'], v['t_ms'], v['values'], v['salt'])\n"
        "    assert ''.join('%02x' % b for b in made) == v['hex'], v['name']\n"
        "print('same')\n"
    )
    assert run(code, interpreter).strip() == "same"


def test_crc_is_the_catalogue_s_crc_32_iso_hdlc():
    # catalogue check value (source in data/check_values.json) and crcmod, a general-purpose CRC library
    assert zlib.crc32(b"123456789") == int(check_value("crc.CRC-32/ISO-HDLC")["expected"]["crc"], 16)
    other = crcmod.Crc(0x104C11DB7, initCrc=0, rev=True, xorOut=0xFFFFFFFF)
    other.update(struct.pack("<II", 0x1BADCAFE, 7))
    assert frame_salt(0x1BADCAFE, 7) == other.crcValue


@given(st.binary(max_size=80), st.integers(0, 2**32 - 1))
def test_salted_crc_agrees_with_crcmod(data, salt):
    other = crcmod.Crc(0x104C11DB7, initCrc=salt, rev=True, xorOut=0xFFFFFFFF)
    other.update(data)
    assert zlib.crc32(data, salt) == other.crcValue


def test_type_and_length_pairs_are_closed_even_and_short():
    for record_type, _name, fields in RECORDS:
        size = frame.PAYLOAD_SIZES[record_type] + frame.OVERHEAD
        assert size % 2 == 0, "an odd frame would hide the next one from the decoder's even-offset scan"
        assert size <= 375, "beyond 375 bytes CRC-32 no longer finds every four-bit error (check value crc.hd.crc32)"
        assert struct.calcsize(payload_format(fields)) == frame.PAYLOAD_SIZES[record_type]
    assert len({entry[0] for entry in RECORDS}) == len({entry[1] for entry in RECORDS}) == len(RECORDS)


def test_records_of_the_busiest_sensors_keep_hamming_distance_six():
    busy = ("pressure", "temperature", "power", "event", "health", "boot", "probe", "pressure_cal", "channel", "header")
    sizes = {name: frame.PAYLOAD_SIZES[record_type] + frame.OVERHEAD for record_type, name, _ in RECORDS}
    assert all(sizes[name] <= 37 for name in busy)


def test_header_is_read_back_and_names_log_boot_and_sector():
    made = frame.encode_header(0xFFFFFFFF, 2**31, 131071, 70000, 2**32 + 5, flags=frame.FINISHED)
    assert len(made) == frame.HEADER_SIZE
    assert frame.decode_header(made) == (0xFFFFFFFF, 2**31, 131071, 1, 0, 1, 70000 % 65536, 5)


def test_no_single_bit_flip_of_a_header_is_accepted():
    made = bytearray(frame.encode_header(0x12345678, 3, 77, 1, 2))
    for bit in range(8 * len(made)):
        made[bit >> 3] ^= 1 << (bit & 7)
        assert frame.decode_header(made) is None
        made[bit >> 3] ^= 1 << (bit & 7)


def test_header_that_ends_early_is_no_header():
    made = frame.encode_header(1, 2, 3, 4, 5)
    assert all(frame.decode_header(made[:size]) is None for size in range(frame.HEADER_SIZE))


def test_text_sector_gives_its_text_back_and_refuses_damage():
    sector = frame.encode_text_sector("what it is\nwhom to call", 9, 8, 0, 0, 0)
    assert len(sector) == frame.SECTOR_SIZE and sector[507:508] == b"\n"
    assert frame.decode_text_sector(sector) == "what it is\nwhom to call"
    damaged = bytearray(sector)
    damaged[100] ^= 4
    assert frame.decode_text_sector(damaged) is None
    assert frame.decode_text_sector(sector[:511]) is None


def test_text_that_does_not_fit_is_refused():
    frame.encode_text_sector("x" * 477, 1, 1, 0, 0, 0)
    with pytest.raises(ValueError):
        frame.encode_text_sector("x" * 478, 1, 1, 0, 0, 0)


@st.composite
def data_frames(draw):
    """A legal frame as `(type, seq, t_ms, payload)`."""
    record_type = draw(st.sampled_from(DATA_TYPES))
    size = frame.PAYLOAD_SIZES[record_type]
    payload = draw(st.binary(min_size=size, max_size=size))
    return record_type, draw(st.integers(0, 65535)), draw(st.integers(0, 2**32 - 1)), payload


def as_bytes(item, salt):
    """Encode through the declared fields, as the product does."""
    record_type, seq, t_ms, payload = item
    values = struct.unpack(payload_format(declaration(record_type)[2]), payload)
    return frame.encode(record_type, seq, t_ms, values, salt)


@given(st.lists(st.tuples(data_frames(), st.binary(max_size=20)), max_size=8), st.integers(0, 2**32 - 1))
def test_every_intact_frame_is_found_whatever_lies_between(items, salt):
    stream = b"".join(rubbish + as_bytes(item, salt) for item, rubbish in items)
    found = [entry[1:] for entry in scan.frames(stream, salt)]
    # rubbish may hide a frame only by holding the beginning of a legal one that swallows it: CRC makes that 2**-32
    assert found == [item for item, _rubbish in items]


@given(st.lists(data_frames(), min_size=1, max_size=6), st.integers(0, 2**32 - 1), st.data())
def test_damage_costs_only_the_frames_it_touches(items, salt, data):
    pieces = [as_bytes(item, salt) for item in items]
    stream = bytearray(b"".join(pieces))
    position = data.draw(st.integers(0, len(stream) - 1))
    stream[position] ^= data.draw(st.integers(1, 255))
    ends = [sum(len(piece) for piece in pieces[: n + 1]) for n in range(len(pieces))]
    intact = [
        item for item, piece, end in zip(items, pieces, ends, strict=True) if not end - len(piece) <= position < end
    ]
    assert [entry[1:] for entry in scan.frames(bytes(stream), salt)] == intact


@given(data_frames(), st.integers(0, 2**32 - 1), st.integers(1, 200), st.integers(1, 200))
def test_frame_of_another_boot_is_not_accepted(item, log_id, boot, later):
    stream = as_bytes(item, frame_salt(log_id, boot))
    assert list(scan.frames(stream, frame_salt(log_id, boot + later))) == []


@given(st.binary(max_size=600))
def test_no_bytes_make_the_scan_raise(data):
    list(scan.frames(data, 0))
    frame.decode_header(data)
    frame.decode_text_sector(data)

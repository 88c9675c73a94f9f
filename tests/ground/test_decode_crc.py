"""CRC taken apart by linearity, held against zlib and against crcmod, which nobody here wrote."""

from zlib import crc32

import crcmod.predefined
import numpy as np
import pytest

from ground.decode.frames import crc_tables

crcmod_crc32 = crcmod.predefined.mkCrcFun("crc-32")
rng = np.random.default_rng(20310527)


@pytest.mark.parametrize("many", [False, True])
@pytest.mark.parametrize("length", [2, 14, 26, 28, crc_tables.DATA_SIZE_MAX])
def test_crc_by_position_tables_is_that_of_crcmod(length, many):
    rows = rng.integers(0, 256, (300, length), dtype=np.uint8)
    wanted = [crcmod_crc32(row.tobytes()) for row in rows]
    assert crc_tables.fixed_length_crc(rows, many).tolist() == wanted


@pytest.mark.parametrize("length", [14, 56])
def test_salt_can_be_put_in_afterwards(length):
    data, salt = rng.bytes(length), 0xDEADBEEF
    assert crc32(data, salt) == crc32(data) ^ int(crc_tables.advance(np.uint32(salt), length))


@pytest.mark.parametrize("salt", [0, 1, 0xC001D00D])
def test_valid_frame_leaves_a_register_that_depends_on_its_length_and_salt_alone(salt):
    for size in (18, 30, 60):
        body = rng.bytes(size - 4)
        frame = body + crc32(body, salt).to_bytes(4, "little")
        register = crc32(frame, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES
        assert register == int(crc_tables.valid_frame_register(size, salt))


def test_residue_is_the_one_of_the_catalogue():
    # CRC RevEng catalogue, CRC-32/ISO-HDLC: residue 0xdebb20e3 (from memory)
    data = rng.bytes(40)
    assert crc32(data + crc32(data).to_bytes(4, "little")) ^ crc_tables.ALL_ONES == 0xDEBB20E3


def test_registers_of_sectors_combine_into_that_of_their_group():
    groups = [[rng.bytes(512) for _ in range(8)] for _ in range(3)]
    own = [[crc32(sector, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES for sector in group] for group in groups]
    expected = [crc32(b"".join(group), crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES for group in groups]
    assert crc_tables.joined(np.array(own, dtype=np.uint32)).tolist() == expected


def test_fill_register_is_that_of_the_bytes():
    for word in (0, 15, 255, 256):
        fill = b"\xff" * (512 - 2 * word)
        assert int(crc_tables.fill_registers()[word]) == crc32(fill, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES

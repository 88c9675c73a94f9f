"""One wrong bit in a sector costs the frame it lies in and no other, and nothing else passes for one wrong bit."""

from zlib import crc32

import numpy as np
import pytest

from ground.decode.frames import one_bit, predict, rough
from ground.decode.frames.crc_tables import ALL_ONES
from ground.decode.frames.records import read
from ground.decode.frames.wire import KIND_SIZES
from tests.property.damager import write_log

SEED = 20310527
SECTOR = 9  # the one that is hurt


def log():
    return write_log(40, SEED).data.copy()


def register(data):
    return crc32(bytes(data), ALL_ONES) ^ ALL_ONES


def starts_and_sizes(data):
    """Rising offsets of the frames in the sector, and their sizes."""
    found = read([data]).pieces[0].found
    inside = found.starts // 512 == SECTOR
    return found.starts[inside], KIND_SIZES[found.kinds[inside]]


def outcome(data):
    """All rows, and what is said of the damage."""
    records = read([data])
    damage = records.pieces[0].damage
    return [rows.tobytes() for rows in records.rows], damage.bad_block.tolist(), damage.frames_bad.tolist()


def test_the_value_that_a_wrong_bit_leaves_names_its_place():
    values, places = one_bit._known_values()
    for place in range(0, 4096, 37):
        sector = bytearray(512)
        sector[place >> 3] ^= 1 << (place & 7)
        assert places[np.searchsorted(values, register(sector))] == place
    assert (values[1:] > values[:-1]).all()


def test_wherever_one_bit_is_wrong_frame_by_frame_tells_the_same(monkeypatch):
    rng = np.random.default_rng(SEED)
    print("seed", SEED)
    data = log()
    bits = rng.choice(4096, 60, replace=False).tolist()
    quick = []
    for bit in bits:
        data[SECTOR * 512 + (bit >> 3)] ^= 1 << (bit & 7)
        quick.append(outcome(data))
        data[SECTOR * 512 + (bit >> 3)] ^= 1 << (bit & 7)
    monkeypatch.setattr(predict, "spoilt_frames", lambda *_: np.empty(0, np.int64))
    for bit, told in zip(bits, quick, strict=True):
        data[SECTOR * 512 + (bit >> 3)] ^= 1 << (bit & 7)
        assert outcome(data) == told
        data[SECTOR * 512 + (bit >> 3)] ^= 1 << (bit & 7)


def test_one_wrong_bit_in_a_frame_needs_no_look_at_the_others(monkeypatch):
    def refuse(*_):
        raise AssertionError("a close look was taken")

    data = log()
    monkeypatch.setattr(rough.CloseLook, "look", refuse)
    whole = len(read([data]).pieces[0].found.starts)
    starts, sizes = starts_and_sizes(data)
    for at in (starts[0] + 4, starts[3] + 7, starts[-1] + sizes[-1] - 1):  # number, time, the CRC's last byte
        data[at] ^= 0x20
        records = read([data])
        data[at] ^= 0x20
        assert len(records.pieces[0].found.starts) == whole - 1
        assert not np.isin(at, records.pieces[0].found.starts)
        assert np.flatnonzero(records.pieces[0].damage.bad_block).tolist() == [SECTOR]
        assert records.pieces[0].damage.frames_bad.sum() == 1


def forced(sector, at, wanted):
    """The sector with the four bytes at `at` changed so that it leaves the register `wanted`."""
    effects = []
    for bit in range(32):
        probe = bytearray(512)
        probe[at + bit // 8] ^= 1 << bit % 8
        effects.append((register(probe), 1 << bit))
    basis = {}
    for effect, bits in effects:  # elimination: which bits leave a register whose highest bit is this one
        while effect and effect.bit_length() in basis:
            other, own = basis[effect.bit_length()]
            effect, bits = effect ^ other, bits ^ own
        basis[effect.bit_length()] = effect, bits
    left, change = register(sector) ^ wanted, 0
    while left:
        effect, bits = basis[left.bit_length()]
        left, change = left ^ effect, change ^ bits
    sector[at : at + 4] ^= np.frombuffer(change.to_bytes(4, "little"), np.uint8)
    return sector


@pytest.mark.parametrize("spoil_the_third", [False, True])
def test_damage_that_leaves_what_one_bit_would_is_found_out_by_the_frame(spoil_the_third):
    """Two frames are spoilt so that the sector's CRC names a bit of a third one, whole or spoilt in another way."""
    data = log()
    starts, sizes = starts_and_sizes(data)
    sector = data[SECTOR * 512 : (SECTOR + 1) * 512]
    first, second, third = (int(start) - SECTOR * 512 for start in starts[[1, 4, 6]])
    named = np.zeros(512, np.uint8)
    named[third + 8] = 1
    wanted = register(sector) ^ register(named)
    sector[first + 9] ^= 0x5A
    if spoil_the_third:
        sector[third + 9] ^= 0x5A
    forced(sector, second + int(sizes[4]) - 4, wanted)
    assert register(sector) == wanted
    found = read([data]).pieces[0].found.starts
    lost = [1, 4, 6] if spoil_the_third else [1, 4]
    assert np.isin(starts, found).tolist() == [n not in lost for n in range(len(starts))]

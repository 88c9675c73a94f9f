"""Logs that lost bytes or gained some: their sectors are put back on blocks, and one is hurt, not all behind it."""

import numpy as np
import pytest

from ground.decode.frames import realigned
from ground.decode.frames.records import read
from ground.decode.frames.sectors import Keys, split
from shared_protocol.frame import SECTOR_SIZE
from shared_protocol.records import PRESSURE, TEMPERATURE
from tests.ground.log_maker import LogMaker, fill_fast

LOG = LogMaker(text=False)
LOG.boot(1)
fill_fast(LOG, {PRESSURE: 900, TEMPERATURE: 100}, np.random.default_rng(3))
DATA = LOG.data()
SECTORS = len(DATA) // SECTOR_SIZE
MIDDLE = SECTORS // 2 * SECTOR_SIZE + 200  # in a frame


def array(data):
    return np.frombuffer(data, dtype=np.uint8)


def found(data, *more):
    """Frames recovered, bad blocks and bad frames."""
    records = read([(array(data), *more)])
    damage = records.pieces[0].damage
    return sum(len(rows) for rows in records.rows), int(damage.bad_block.sum()), int(damage.frames_bad.sum())


def owned(data, *more):
    return int((split(array(data), Keys(), *more).owner >= 0).sum())


def test_a_log_that_lost_nothing_is_not_copied():
    data = array(DATA)
    assert np.shares_memory(split(data, Keys()).data, data)


@pytest.mark.parametrize("lost", [1, 2, 7, 64])
def test_lost_bytes_hurt_one_sector_and_the_frames_they_stood_in(lost):
    frames, bad_blocks, bad_frames = found(DATA[:MIDDLE] + DATA[MIDDLE + lost :])
    gone = len(LOG.frames) - frames
    assert 1 <= gone <= 2 + lost // 20 and (bad_blocks, bad_frames > 0) == (1, True)
    assert owned(DATA[:MIDDLE] + DATA[MIDDLE + lost :]) == SECTORS


@pytest.mark.parametrize("put_in", [b"\x00", b"ab", b"seven b", bytes(range(64))])
def test_bytes_put_in_hurt_one_frame_and_leave_all_other_sectors_whole(put_in):
    data = DATA[:MIDDLE] + put_in + DATA[MIDDLE:]
    assert found(data)[0] == len(LOG.frames) - 1
    assert owned(data) == SECTORS and found(data)[1] <= 2


def test_bytes_before_the_first_sector_are_passed_over():
    assert found(b"some words of a card reader\n" + DATA)[0] == len(LOG.frames)
    assert owned(b"some words of a card reader\n" + DATA) == SECTORS


def test_many_losses_cost_a_sector_each():
    at = np.arange(5, SECTORS - 5, 7) * SECTOR_SIZE + 100
    data = b"".join(DATA[a + 3 : b] for a, b in zip([-3, *at.tolist()], [*at.tolist(), len(DATA)], strict=True))
    frames, bad_blocks, _bad_frames = found(data)
    assert bad_blocks == len(at) and len(LOG.frames) - 2 * len(at) <= frames <= len(LOG.frames) - len(at)


def test_a_gap_between_two_places_stays_known_when_what_lies_behind_it_moves():
    data = DATA[:MIDDLE] + b"four" + DATA[MIDDLE:]
    joined = np.ones(-(-len(data) // SECTOR_SIZE), dtype=bool)
    joined[2] = joined[SECTORS - 3] = False  # the latter sector will be one block further on
    blocks = split(array(data), Keys(), joined)
    assert np.flatnonzero(~blocks.joined).tolist() == [2, SECTORS - 2]


def test_headers_that_do_not_stand_sectors_apart_move_nothing():
    """As in a capture from the board's line: its headers stand anywhere, and text between frames is no damage."""
    rng = np.random.default_rng(5)
    heads = [DATA[n * SECTOR_SIZE : (n + 1) * SECTOR_SIZE].rstrip(b"\xff") for n in range(20)]
    capture = DATA[:SECTOR_SIZE] + b"".join(b"\n# " + rng.bytes(int(rng.integers(1, 99))) + head for head in heads)
    data = array(capture)
    blocks = split(data, Keys())
    assert blocks.data[: len(data)].tobytes() == capture


def test_a_lost_header_between_two_boots_costs_none_of_the_frames_behind_it():
    log = LogMaker(text=False)
    for boot in (1, 2):
        log.boot(boot)
        fill_fast(log, {PRESSURE: 200, TEMPERATURE: 40}, np.random.default_rng(boot))
    begin = next(n for n, sector in enumerate(log.sectors) if sector is None)  # what a power-up leaves out
    first, second = log.data()[: begin * SECTOR_SIZE], log.data()[(begin + 1) * SECTOR_SIZE :]
    assert first.endswith(b"\xff" * 50)
    hurt = first[:-50] + second[10:]  # so the second boot's first frames begin in the first one's last block
    assert found(first + second)[0] == found(hurt)[0] == len(log.frames)


def test_stretches_without_number_are_looked_through_as_one(monkeypatch):
    at = np.arange(5, SECTORS - 5, 7) * SECTOR_SIZE + 100
    data = b"".join(DATA[a + 512 : b] for a, b in zip([-512, *at.tolist()], [*at.tolist(), len(DATA)], strict=True))
    data = data[:MIDDLE] + b"x" + data[MIDDLE:]
    few = found(data)
    monkeypatch.setattr(realigned, "_MANY", 0)
    assert found(data) == few

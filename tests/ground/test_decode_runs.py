"""Batches of frames looked over one by one tell the same as all of them together."""

import numpy as np
import pytest

from ground.decode.frames import records, sectors
from ground.decode.frames.as_predicted import GROUP
from ground.decode.frames.records import read
from ground.decode.frames.runs import joined_run, run_of
from ground.decode.frames.sequence import arrange
from tests.ground.test_decode_frames import array, small_log

SEED = 20310528


def cut(seq, t_ms, edges):
    """Runs of the pieces between the edges."""
    return [run_of(a, b) for a, b in zip(np.split(seq, edges), np.split(t_ms, edges), strict=True)]


def test_runs_joined_tell_what_one_look_at_all_frames_tells():
    rng = np.random.default_rng(SEED)
    seq = np.arange(65_000, 67_000).astype(np.uint16)  # over the wrap
    t_ms = np.cumsum(rng.integers(-3, 120, len(seq))).astype(np.uint32) + np.uint32(5000)
    for edges in [1000], [1, 2, 1999], [400, 536, 537, 900]:
        assert joined_run(cut(seq, t_ms, edges)) == run_of(seq, t_ms)


def test_longest_pause_may_lie_between_two_batches():
    t_ms = np.array([10, 20, 30, 9030, 9040], dtype=np.uint32)
    run = joined_run(cut(np.arange(5, dtype=np.uint16), t_ms, [3]))
    assert (run.gap_ms, run.gap_at_ms) == (9000, 30)


def test_runs_with_holes_in_or_between_them_tell_what_one_look_at_all_frames_tells():
    rng = np.random.default_rng(SEED)
    kept = np.flatnonzero(rng.random(3000) < 0.9)
    seq = (np.arange(64_000, 67_000) % 65_536).astype(np.uint16)[kept]
    t_ms = np.cumsum(rng.integers(0, 120, 3000)).astype(np.uint32)[kept]
    whole, sequence = run_of(seq, t_ms), arrange(seq, t_ms)
    assert whole.missing and len(whole.gaps) == 8
    assert sequence.order is None
    assert sequence.missing == whole.missing + int(seq[0])
    for edges in [1000], [1, 2, 1999], [400, 536, 537, 900]:
        assert joined_run(cut(seq, t_ms, edges)) == whole


def test_numbers_that_fall_in_or_between_runs_are_left_to_a_sort():
    seq, t_ms = np.array([7, 8, 10, 9, 12], dtype=np.uint16), np.arange(5, dtype=np.uint32)
    assert joined_run(cut(seq, t_ms, [2])) is None
    assert joined_run(cut(seq, t_ms, [3])) is None
    assert joined_run([]) is None


def test_gap_long_enough_for_a_wrap_is_left_to_the_clock():
    seq, t_ms = np.arange(100, dtype=np.uint16), np.arange(100, dtype=np.uint32) * np.uint32(50)
    seq[50:] += 5
    t_ms[50:] += 50 * 60_000
    assert joined_run([run_of(seq, t_ms)]) is None
    assert arrange(seq, t_ms).missing > 5


@pytest.mark.parametrize("boots", [(1,), (1, 2)])
def test_damaged_log_gives_the_same_boots_with_and_without_a_sort(monkeypatch, boots):
    data = array(small_log(boots=boots, text=True, mix=None).data()).copy()
    rng = np.random.default_rng(SEED)
    data[rng.integers(0, len(data), 20)] ^= 0x10
    quick = read([data])
    monkeypatch.setattr(records, "joined_run", lambda _runs: None)
    sorted_out = read([data])
    assert sum(boot.missing for boot in quick.boots) > 0
    assert quick.boots == sorted_out.boots


def test_second_copy_behind_the_first_is_not_steady_though_its_numbers_go_on():
    seq, t_ms = np.arange(1 << 16, dtype=np.uint16), np.arange(1 << 16, dtype=np.uint32) * np.uint32(100)
    twice = np.tile(seq, 2), np.tile(t_ms, 2)
    assert joined_run([run_of(seq, t_ms)])
    assert joined_run(cut(*twice, [1 << 16])) is None
    assert joined_run(cut(*twice, [1 << 15])) is None


def test_log_cut_into_many_batches_gives_the_same_records_and_boots(monkeypatch):
    for boots in (1,), (1, 2):
        data = array(small_log(boots=boots, text=True, mix=None).data())
        whole = read([data])
        monkeypatch.setattr(sectors, "_SMALL_CHUNK", GROUP)
        pieces = read([data])
        monkeypatch.undo()
        assert len(pieces.pieces[0].batches) > 1
        assert pieces.boots == whole.boots
        for one, other in zip(pieces.rows + pieces.row_keys, whole.rows + whole.row_keys, strict=True):
            assert np.array_equal(one, other)

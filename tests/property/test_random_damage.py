"""Random damage of every kind: each frame that was left whole comes back, and none that was never written.

The long run, to 1e8 damaged frames, is `python -m tests.bench.random_damage`.
"""

import numpy as np
import pytest

from ground.decode.frames.records import read
from tests.property.damager import KINDS, Hurt, compare, write_log

SEED = 20310527
LOG = write_log(sectors=1200, seed=SEED)
CASES = [(kind, rate) for kind, (_act, rates, _of) in KINDS.items() for rate in rates]


@pytest.mark.parametrize("kind, rate", CASES)
def test_every_frame_that_was_left_whole_comes_back_and_no_other(kind, rate):
    for seed in range(SEED, SEED + 4):
        hurt = KINDS[kind][0](LOG, rate, np.random.default_rng(seed))
        outcome = compare(LOG, hurt, read([hurt.data]).rows)
        assert (outcome.recovered, outcome.wrong) == (outcome.whole, 0), f"seed {seed}"


def test_the_account_sees_a_frame_that_was_never_written():
    rows = read([LOG.data]).rows
    assert compare(LOG, KINDS["bits turned over"][0](LOG, 0.0, np.random.default_rng(1)), rows).wrong == 0
    altered = [part.copy() for part in rows]
    next(part for part in altered if len(part))["_seq"][3] ^= 1
    assert compare(LOG, KINDS["bits turned over"][0](LOG, 0.0, np.random.default_rng(1)), altered).wrong == 1


@pytest.mark.parametrize("kind", KINDS)
def test_the_damager_hurts_frames(kind):
    act, rates, _of = KINDS[kind]
    hurt = act(LOG, rates[-1], np.random.default_rng(SEED))
    assert (~hurt.whole).any() or kind == "sectors repeated"
    assert len(hurt.data) != len(LOG.data) or (hurt.data != LOG.data).any()


def test_a_frame_whose_lost_last_byte_the_next_ones_first_replaces_does_not_cost_that_one():
    ends = LOG.starts + LOG.sizes
    n = np.flatnonzero((LOG.data[ends[:-1] - 1] == 0xA5) & (LOG.starts[1:] == ends[:-1]))[
        0
    ]  # first byte of a sync word
    lost = np.zeros(len(LOG.data), dtype=bool)
    lost[ends[n] - 1] = True
    whole = np.ones(len(LOG.starts), dtype=bool)
    whole[n] = False
    outcome = compare(LOG, Hurt(LOG.data[~lost], whole), read([LOG.data[~lost]]).rows)
    assert (outcome.recovered, outcome.by_chance, outcome.wrong) == (outcome.whole, 1, 0)

"""Frames of one boot in the order of the source: first, last, longest pause, and whether all of them are there.

Stretches of a log are looked over one by one, while they are in the processor's cache; where each is steady and they
join without a hole, nothing has to be sorted.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ground.decode.sequence import EARLY_MS

_WRAP = 1 << 16  # of a sequence number
_SIGN = 1 << 31  # of a time step in 32 bits


class Run(NamedTuple):
    """What a look at some frames in the order of the source tells; times in milliseconds since boot."""

    steady: bool  # every number is one above the one before it, and time does not go back
    count: int
    first_seq: int
    last_seq: int
    begin_ms: int  # of the first frame
    end_ms: int  # of the last one
    first_ms: int  # the lowest: a task may stamp a reading a little before its neighbour
    last_ms: int
    gap_ms: int  # longest time between neighbours
    gap_at_ms: int


def run_of(seq, t_ms):
    """Look over the frames of one boot; arrays as for `arrange`."""
    gap_ms, gap_at, steady = 0, int(t_ms[0]), True
    if len(t_ms) > 1:
        elapsed = np.diff(t_ms).view(np.int32)
        longest = int(elapsed.argmax())
        gap_ms, gap_at = int(elapsed[longest]), int(t_ms[longest])
        steady = bool((np.diff(seq) == 1).all()) and int(elapsed.min()) > -EARLY_MS
    ends = int(seq[0]), int(seq[-1]), int(t_ms[0]), int(t_ms[-1])
    return Run(steady, len(seq), *ends, int(t_ms.min()), int(t_ms.max()), gap_ms, gap_at)


def steady_run(runs):
    """One run made of several that follow each other without a hole, else None.

    A second copy of the log behind the first may have the next number, modulo 65536; its time goes back.
    """
    if not runs or not all(run.steady for run in runs):
        return None
    gaps = [(run.gap_ms, run.gap_at_ms) for run in runs]
    for before, after in pairwise(runs):
        elapsed = (after.begin_ms - before.end_ms + _SIGN) % (2 * _SIGN) - _SIGN
        if (after.first_seq - before.last_seq) % _WRAP != 1 or elapsed <= -EARLY_MS:
            return None
        gaps.append((elapsed, before.end_ms))
    gap_ms, gap_at = max(gaps, key=lambda gap: gap[0])
    first, last = runs[0], runs[-1]
    ends = first.first_seq, last.last_seq, first.begin_ms, last.end_ms
    lowest, highest = min(run.first_ms for run in runs), max(run.last_ms for run in runs)
    return Run(True, sum(run.count for run in runs), *ends, lowest, highest, gap_ms, gap_at)

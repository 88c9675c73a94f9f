"""Frames of one boot in the order of the source: first, last, longest pause, and what is missing between them.

Stretches of a log are looked over one by one, while they are in the processor's cache; where each of them rises and
they join, nothing has to be sorted.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ground.decode.frames.sequence import EARLY_MS, LONG_GAP, SHORT_MS

_WRAP = 1 << 16  # of a sequence number
_SIGN = 1 << 31  # of a time step in 32 bits
_GAPS_MAX = 8


class Run(NamedTuple):
    """What a look at some frames in the order of the source tells; times in milliseconds since boot."""

    rises: bool  # each number is above the one before it, and time does not go back
    frames: int
    missing: int  # numbers between the first and the last that no frame has, where the run rises
    gaps: list  # of (frames missing, time before, time behind): where it rises, the ones that miss most, worst first
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
    missing, gaps, gap_ms, gap_at, rises = 0, [], 0, int(t_ms[0]), True
    if len(t_ms) > 1:
        elapsed = np.diff(t_ms).view(np.int32)
        longest = int(elapsed.argmax())
        gap_ms, gap_at = int(elapsed[longest]), int(t_ms[longest])
        step = np.diff(seq)  # unsigned: wraps by itself
        rises = int(elapsed.min()) > -EARLY_MS
        if not (step == 1).all():
            rises = rises and bool((step.view(np.int16) > 0).all())
            missing = int(step.sum(dtype=np.int64)) - len(step)
            gaps = worst_gaps(step, t_ms)
    ends = int(seq[0]), int(seq[-1]), int(t_ms[0]), int(t_ms[-1])
    return Run(rises, len(seq), missing, gaps, *ends, int(t_ms.min()), int(t_ms.max()), gap_ms, gap_at)


def joined_run(runs):
    """One run made of several that follow each other, else None.

    None too where it takes a clock to tell how many frames a gap has lost: a number has 16 bits.
    A second copy of the log behind the first may have the next number, modulo 65536; its time goes back.
    """
    if not runs or not all(run.rises for run in runs):
        return None
    pauses, gaps, missing = [(runs[0].gap_ms, runs[0].gap_at_ms)], [], sum(run.missing for run in runs)
    for before, after in pairwise(runs):
        elapsed = (after.begin_ms - before.end_ms + _SIGN) % (2 * _SIGN) - _SIGN
        step = (after.first_seq - before.last_seq) % _WRAP
        if not 0 < step < _WRAP // 2 or elapsed <= -EARLY_MS:
            return None
        pauses += [(elapsed, before.end_ms), (after.gap_ms, after.gap_at_ms)]
        gaps += before.gaps + [(step - 1, before.end_ms, after.begin_ms)] * (step > 1)
        missing += step - 1
    gaps = worst_of(gaps + runs[-1].gaps)
    gap_ms, gap_at = max(pauses, key=lambda pause: pause[0])  # of equal ones the first
    first, last = runs[0], runs[-1]
    frames = sum(run.frames for run in runs)
    lowest, highest = min(run.first_ms for run in runs), max(run.last_ms for run in runs)
    if missing and (gap_ms >= SHORT_MS or gap_ms * (frames + missing) >= LONG_GAP * (highest - lowest)):
        return None
    ends = first.first_seq, last.last_seq, first.begin_ms, last.end_ms
    return Run(True, frames, missing, gaps, *ends, lowest, highest, gap_ms, gap_at)


def worst_gaps(step, t_ms):
    """Where most frames are missing, as `Run.gaps`; `step` from number to number, uint16, one less than times."""
    places = np.flatnonzero(step > 1)
    if len(places) > _GAPS_MAX:  # mostly of one frame each, which a sort or a partition would not like
        lost = step[places]
        at_least = np.bincount(lost)[::-1].cumsum()
        limit = len(at_least) - 1 - int(np.searchsorted(at_least, _GAPS_MAX))
        places = np.sort(np.concatenate([places[lost > limit], places[lost == limit][:_GAPS_MAX]]))
    return worst_of([(int(step[n]) - 1, int(t_ms[n]), int(t_ms[n + 1])) for n in places.tolist()])


def worst_of(gaps):
    """The gaps that miss most, worst first; of equal ones those that come first."""
    return sorted(gaps, key=lambda gap: -gap[0])[:_GAPS_MAX]

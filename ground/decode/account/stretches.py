"""Stretches of time for which the record is whole, thinned to the second copy, or empty: what a bar on a page shows.

A hole in the card's record is a step in the frames' numbers that also took time; a single lost frame is counted
elsewhere. The second copy has one set of readings every five seconds, so a hole that it fills is "thinned", and the
numbers between its frames are not lost: they never were in it.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.frames.sequence import unwrapped
from shared_protocol.second_copy import PERIOD_MS

WHOLE, THINNED, NOTHING = "whole", "thinned", "nothing"
_HOLE_MS = 500
_THIN_MS = 2 * PERIOD_MS + 2000  # between two frames of the copy: the first of one stretch of 5 s, the last of the next
_DENSE_MS = PERIOD_MS + 1000  # for so long no number left out: the copy took everything, as it does without a card
_HOLES_MAX = 100  # the longest ones; shorter ones are left inside "whole" then


@dataclass
class Stretch:
    """From one frame to another of a boot [ms since boot]; frames that it holds, numbers that it lacks.

    `filled`: how many of the frames the card lacks; those at the ends of a thinned stretch are on it as a rule. `lent`:
    of a whole one the times (from ms, to ms, frames) of which the card has nothing and the second copy everything.
    """

    has: str
    from_ms: int
    to_ms: int
    frames: int
    missing: int
    filled: int = 0
    lent: tuple = ()


def of_boot(t_ms, seq, on_card):
    """Stretches of one boot, in order and without a space between them; and of a boot that only the copy has, how many
    numbers it left out.

    Parameters
    ----------
    t_ms : numpy.ndarray of int64, shape (n,), n > 0
        Of its distinct frames, rising.
    seq : numpy.ndarray of uint16, shape (n,)
    on_card : numpy.ndarray of bool, shape (n,)
        False: in the second copy only.
    """
    number = unwrapped(seq, t_ms)
    order = np.lexsort((t_ms, number))  # by number: a task may stamp a reading a little before its neighbour
    step, on_card = np.diff(number[order]), on_card[order]
    t_ms = np.maximum.accumulate(t_ms[order])
    apart = np.diff(t_ms)
    both_on_card = on_card[1:] & on_card[:-1]
    thin = ~both_on_card & (apart <= _THIN_MS)
    hole = (apart >= _HOLE_MS) & (step > 1) & ~thin
    if hole.sum() > _HOLES_MAX:
        shortest = np.sort(apart[hole])[-_HOLES_MAX]
        hole &= apart >= shortest
    thinned = thin & _lasting(t_ms, both_on_card, _HOLE_MS) & ~((step == 1) & _lasting(t_ms, step != 1, _DENSE_MS))
    thinned &= _lasting(t_ms, thinned, _HOLE_MS)
    state = np.where(hole, 2, np.where(thinned, 1, 0))
    lent = ~both_on_card & (state == 0)
    lent &= _lasting(t_ms, lent, _HOLE_MS)
    left_out = 0
    if not on_card.any():  # else the card lost what the copy leaves out
        left_out = int((step[thin] - 1).sum()) + (int(number[order[0]]) if t_ms[0] <= _THIN_MS else 0)
    if len(state) == 0:
        has = WHOLE if on_card[0] else THINNED
        return [Stretch(has, int(t_ms[0]), int(t_ms[0]), 1, 0, int(not on_card[0]))], left_out
    edges = np.concatenate([[0], np.flatnonzero(np.diff(state)) + 1, [len(state)]])
    result = []
    for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        has = (WHOLE, THINNED, NOTHING)[state[a]]
        frames = 0 if has == NOTHING else b - a + 1
        missing = max(int((step[a:b] - 1).sum()), 0)
        filled = int(np.count_nonzero(~on_card[a : b + 1])) if frames else 0
        runs = tuple(_runs(lent[a:b], t_ms[a : b + 1], on_card[a : b + 1]))
        result.append(Stretch(has, int(t_ms[a]), int(t_ms[b]), frames, missing, filled, runs))
    return result, left_out


def _runs(mark, t_ms, on_card):
    """(from ms, to ms, frames that are not on the card) of each run of marked intervals."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mark, [False]])))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        yield int(t_ms[first]), int(t_ms[last]), int(np.count_nonzero(~on_card[first : last + 1]))


def before_first(first_ms, lost):
    """The empty stretch in front of a boot's first frame, as a list; none if that came as soon after the power-up
    as the second copy's first one may.

    `lost`: how many numbers stand in front of it.
    """
    if lost <= 0 or first_ms <= _THIN_MS:
        return []
    return [Stretch(NOTHING, 0, first_ms, 0, lost)]


def _lasting(t_ms, mark, least_ms):
    """Intervals in a run of equal `mark` that lasts for at least `least_ms`; bool, shape (n - 1,)."""
    edges = np.concatenate([[0], np.flatnonzero(np.diff(mark)) + 1, [len(mark)]])
    lengths = t_ms[edges[1:]] - t_ms[edges[:-1]]
    return np.repeat(lengths >= least_ms, np.diff(edges))

"""Frames of one boot in order: sequence numbers without their wrap, what is missing, what came twice.

A sequence number has 16 bits and wraps every 65536 frames, about two hours of flight. Neighbours in time tell how often
it has wrapped; across a long gap the boot's own mean rate of frames decides.
"""

from dataclasses import dataclass

import numpy as np

_WRAP = 65536
EARLY_MS = 30_000  # a reading may be stamped that much before its neighbour: at rest the board reads each ten seconds
LONG_GAP = _WRAP // 4  # frames that a gap must be expected to hold before its wraps are counted by the clock
SHORT_MS = 60_000  # a pause up to which the count is sure
_AWAKE_MS_MAX = 10 * 86_400_000  # no box of this kind runs longer on its battery: the clock has wrapped, or is wrong


@dataclass
class Sequence:
    """Frames of one boot put in order.

    Attributes
    ----------
    order : numpy.ndarray of int64, or None
        Which frames to keep, in order; None: all, as they are.
    kept, missing, duplicate : int
        Distinct frames, numbers that no frame has, and frames that were there more than once.
    """

    order: np.ndarray | None
    kept: int
    missing: int
    duplicate: int


def arrange(seq, t_ms):
    """Put the frames of one boot in order.

    Parameters
    ----------
    seq : numpy.ndarray of uint16, shape (n,), n > 0
        Sequence numbers in the order of the source.
    t_ms : numpy.ndarray of uint32, shape (n,)
        Milliseconds since boot.
    """
    seq, t_ms = np.ascontiguousarray(seq), np.ascontiguousarray(t_ms)
    step = np.diff(seq)  # unsigned: wraps by itself
    if (step == 1).all() and (len(seq) < _WRAP or _runs_on(t_ms)):
        return Sequence(None, len(seq), _before_first(seq, t_ms, 0, len(seq)), 0)
    forward = step.view(np.int16)
    elapsed = np.diff(t_ms).view(np.int32)
    in_order = (forward > 0).all() and _runs_on(t_ms)
    if in_order and elapsed.max() * _frames_per_ms(forward, elapsed) < LONG_GAP:
        missing = int(forward.sum(dtype=np.int64)) + 1 - len(seq)
        return Sequence(None, len(seq), missing + _before_first(seq, t_ms, 0, len(seq) + missing), 0)
    time = _counted_on(t_ms)
    by_time = np.argsort(time, kind="stable")
    number, time = unwrapped(seq.take(by_time), time.take(by_time)), time.take(by_time)
    order = np.lexsort((time, number))
    number, time, frame = number.take(order), time.take(order), by_time.take(order)
    again = (np.diff(number) == 0) & (np.diff(time) == 0)
    frame = frame.take(np.flatnonzero(np.append(True, ~again)))
    distinct = 1 + int(np.count_nonzero(np.diff(number)))
    span = int(number[-1] - number[0]) + 1
    missing = span - distinct + _before_first(seq, t_ms, frame[0], span)
    return Sequence(frame, len(frame), missing, int(again.sum()))


def _runs_on(t_ms):
    """Whether time never goes back, but for readings stamped a little before their neighbours.

    Numbers alone don't show it: from the end of one copy of a log to the beginning of the next they may seem to rise.
    """
    return bool(np.diff(t_ms).view(np.int32).min() > -EARLY_MS)


def _counted_on(t_ms):
    """Times without the wrap after 49.7 days, if neighbours in the source are less than half of that apart; int64."""
    elapsed = np.diff(t_ms).view(np.int32)  # the nearer way round
    return int(t_ms[0]) + _running_sum(elapsed)


def _running_sum(steps):
    """From 0 on; int64, one longer."""
    total = np.zeros(len(steps) + 1, dtype=np.int64)
    np.cumsum(steps, out=total[1:])
    return total


def unwrapped(seq, t_ms):
    """Sequence numbers, in order of time, counted on over their wraps; the first keeps its value."""
    step = np.diff(seq).astype(np.int16).astype(np.int64)  # the nearer way round, also backwards
    elapsed = np.diff(t_ms)
    rate = _frames_per_ms(step, elapsed)
    long = np.flatnonzero(elapsed * rate > LONG_GAP)
    step[long] += np.round((elapsed.take(long) * rate - step.take(long)) / _WRAP).astype(np.int64) * _WRAP
    return int(seq[0]) + _running_sum(step)


def _frames_per_ms(step, elapsed):
    """Mean rate over the short gaps, where the count is sure."""
    long = np.flatnonzero(elapsed >= SHORT_MS)
    total_ms = int(elapsed.sum(dtype=np.int64)) - int(elapsed[long].sum(dtype=np.int64))
    frames = int(step.sum(dtype=np.int64)) - int(step[long].sum(dtype=np.int64))
    return max(frames, 0) / total_ms if total_ms else 0.0


def _before_first(seq, t_ms, first, span):
    return before_first(int(seq[first]), int(t_ms[first]), int(t_ms.max()), span)


def before_first(lost, first_ms, last_ms, span):
    """Frames that the boot had numbered before its first one that is left.

    `lost` is that one's number, modulo 65536; `span` frames lie between it and the last one, at these times. Their rate
    tells how often the numbers had wrapped before, but not over weeks.
    """
    elapsed = last_ms - first_ms
    if elapsed > 0 and first_ms <= _AWAKE_MS_MAX:
        expected = first_ms * span / elapsed
        lost += _WRAP * max(round((expected - lost) / _WRAP), 0) if expected > LONG_GAP else 0
    return lost

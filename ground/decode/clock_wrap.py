"""The board's milliseconds begin again after 2^32, 49.7 days: times of a boot that ran across that, counted on.

A frame has 32 bits for its time. What a boot recorded then lies at both ends of the count with nothing in between; of
the 49.7 days the longest stretch without a frame is the time in which there was none, and what lies below it came
behind the wrap. A boot with more than 49.7 days in one log has no such stretch and keeps the times that it wrote.
"""

import numpy as np

from ground.decode.by_value import rows_by_value

WRAP_MS = 1 << 32
_SPAN_MAX = WRAP_MS // 2  # of a boot that is not looked at: so long nothing is left running on purpose
_EMPTY_MIN_MS = 86_400_000


def find(records):
    """By key number, the time below which a boot's clock had begun again; mends the times in `records.boots`."""
    found, long = {}, {boot.key: boot for boot in records.boots if boot.last_ms - boot.first_ms > _SPAN_MAX}
    for key, t_ms in _times(records, long).items():
        boot, empty = long[key], np.diff(t_ms)
        at = int(empty.argmax())
        if empty[at] < _EMPTY_MIN_MS or empty[at] <= int(t_ms[0]) + WRAP_MS - int(t_ms[-1]):
            continue
        found[key] = int(t_ms[at + 1])
        boot.first_ms, boot.last_ms = int(t_ms[at + 1]), int(t_ms[at]) + WRAP_MS
        if boot.longest_gap_at_ms <= int(t_ms[at]):
            boot.longest_gap_at_ms += WRAP_MS
    return found


def _times(records, wanted):
    """By key number, times of all frames of a boot, rising; int64."""
    parts = {key: [] for key in wanted}
    for rows, keys in zip(records.rows, records.row_keys, strict=True) if wanted else ():
        for key, own in rows_by_value(keys):
            if key in parts:
                parts[key].append(rows["_t_ms"][own])
    return {key: np.unique(np.concatenate(own)).astype(np.int64) for key, own in parts.items()}


def counted_on(begins, keys, t_ms):
    """Times since boot without the wrap; int64.

    Parameters
    ----------
    begins : dict
        As `find` gives them.
    keys, t_ms : numpy.ndarray, shape (n,)
        Key number of each, and its time as it was written. [ms]
    """
    if not begins or len(keys) == 0:
        return t_ms
    below = np.zeros(max(*begins, int(keys.max())) + 1, dtype=np.int64)
    below[list(begins)] = list(begins.values())
    t_ms = t_ms.astype(np.int64)
    return np.where(t_ms < below[keys], t_ms + WRAP_MS, t_ms)

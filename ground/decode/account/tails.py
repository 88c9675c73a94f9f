"""Ends of boots that were lost: numbers of frames can't show them, since nothing follows that would count on from them.

The sectors' numbers do. A power-up goes on a few places behind the last sector that it finds, so a longer step between
the sectors of two boots is where sectors were. How many records they held nobody knows; for how long the board wrote
them, its own pace tells nearly, and the next power-up is the latest end.
"""

from dataclasses import dataclass

import numpy as np

# "Up to seven places without an intact sector lie inside a log": what a board leaves at most, at a joint of two boots
# and where the card refused sectors (firmware/core/log_search.py).
_HOLE_MAX = 7
_JOINT = 1  # left out by each power-up


@dataclass
class Tail:
    """What is lost of a boot behind its last record here; times since that boot, the end estimated. [ms]"""

    key: int
    next_boot: int
    sectors: int
    from_ms: int
    to_ms: int


def lost_tails(sectors, keys, t_ms, boots, lines):
    """Lost ends of the boots of one log; dict of int to Tail, by key number.

    Parameters
    ----------
    sectors, keys, t_ms : numpy.ndarray, shape (n,)
        Number, key number and time since boot of each sector with an intact header, by number, without repetitions.
    boots : dict of int to BootFrames
        By key number.
    lines : dict of int to Line or None
    """
    result = {}
    distinct, begins, counts = np.unique(keys, return_index=True, return_counts=True)
    first = dict(zip(distinct.tolist(), begins.tolist(), strict=True))
    held = dict(zip(distinct.tolist(), counts.tolist(), strict=True))
    for n in np.flatnonzero((np.diff(sectors) > _HOLE_MAX + 1) & (np.diff(keys) != 0)).tolist():
        key, next_key = int(keys[n]), int(keys[n + 1])
        before, behind = boots.get(key), boots.get(next_key)
        pace_ms = float(t_ms[n] - t_ms[first[key]]) / max(int(sectors[n] - sectors[first[key]]), 1)
        if before is None or behind is None or before.last_ms > int(t_ms[n]) + pace_ms:
            continue  # a later record is here, from another copy
        lost = int(sectors[n + 1] - sectors[n]) - 1 - _JOINT - _lost_of_the_next(behind, held[next_key])
        if lost <= 0:
            continue
        end_ms = int(t_ms[n]) + round(lost * pace_ms)
        one, other = lines.get(key), lines.get(next_key)
        if one is not None and other is not None:
            end_ms = min(end_ms, before.last_ms + int(other.at(behind.first_ms)) - int(one.at(before.last_ms)))
        result[key] = Tail(key, behind.boot, lost, before.last_ms, max(end_ms, before.last_ms))
    return result


def _lost_of_the_next(boot, held):
    """About how many of the lost sectors were the beginning of the boot behind: its first frame's number tells.

    `held`: how many of its sectors are here.
    """
    head = sum(missing for missing, from_ms, _to_ms in boot.gaps if from_ms == 0)
    return round(head * held / boot.frames) if head else 0


def told(tail, boot_number, when):
    """A sentence without its full stop; `when` as from losses.between."""
    are = "sectors are" if tail.sectors > 1 else "sector is"
    whose = f"boot {boot_number}" if tail.next_boot <= boot_number + 1 else f"boot {boot_number}, or a boot behind it,"
    return (
        f"the end of {whose} is lost: about {tail.sectors} {are} gone {when}, before boot {tail.next_boot} "
        "began; how many records they held is not known, and they are not counted as missing"
    )

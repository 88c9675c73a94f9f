"""Frames with one boot, number and time that say different things: two boots bear the same number.

No board writes that: it numbers a boot above all that its log and its flash know of. But two boards do so, with a card
that was copied from another before the flight, or with a board that took over a card while the other one's last boot
was in its flash alone. Of each pair one frame is in the tables; sources that are decoded one by one give both.
"""

from collections import Counter

import numpy as np

from ground.decode.copies import KEYS_MAX, packed
from ground.decode.frames.wire import KIND_SIZES, row_view
from shared_protocol.frame import CRC_SIZE

_TOLD_MAX = 3  # boots that are named one by one


def conflicts(records, boots):
    """By boot number, how many frames of it are one of such a pair and not in the tables."""
    repeated = np.zeros(len(records.keys.pairs), dtype=bool)
    repeated[[boot.key for boot in boots if boot.duplicate]] = True
    if not repeated.any() or len(repeated) > KEYS_MAX:
        return {}
    ids, sums = [], []
    for piece in records.pieces:
        own = np.flatnonzero(repeated[piece.found.keys])
        ids.append(packed(piece.found.keys[own], piece.found.seq[own], piece.found.t_ms[own]))
        ends = piece.found.starts[own] + KIND_SIZES[piece.found.kinds[own]] - CRC_SIZE
        sums.append(row_view(piece.blocks.data, CRC_SIZE)[ends].view("<u4").ravel())
    ids, sums = np.concatenate(ids), np.concatenate(sums)  # the same salt: other contents have another checksum
    order = np.argsort(ids, kind="stable")
    ids, sums = ids[order], sums[order]
    differ = (ids[1:] == ids[:-1]) & (sums[1:] != sums[:-1])
    found = Counter()
    for key, count in zip(*np.unique(ids[1:][differ] >> np.uint64(48), return_counts=True), strict=True):
        found[records.keys.pairs[int(key)][1]] += int(count)
    return found


def told(found, source_count):
    """A sentence for each such boot, without its full stop."""
    step = "decode each source by itself to have both" if source_count > 1 else "the source still holds both"
    said = [
        f"boot {boot}: {count:,} records have number and time of another one and say something else, as when two boards"
        f" wrote under one number; of each pair one is in the tables; {step}"
        for boot, count in sorted(found.items())[:_TOLD_MAX]
    ]
    rest = len(found) - _TOLD_MAX
    return said + [f"so it is with {rest} more boots"] * (rest > 0)

"""Frames with one boot, number and time that say different things: two boots bear the same number.

No board writes that: it numbers a boot above all that its log and its flash know of. But two boards do so, with a card
that was copied from another before the flight, or with a board that took over a card while the other one's last boot
was in its flash alone. Of each pair one frame is in the tables; sources that are decoded one by one give both.
"""

import numpy as np

from ground.decode.copies import packed
from ground.decode.frames.wire import KIND_SIZES, row_view
from shared_protocol.frame import CRC_SIZE


def conflicts(records, boots):
    """By boot number, how many frames of it are one of such a pair and not in the tables."""
    found = {}
    for boot in boots:
        if boot.duplicate:
            count = _conflicting(records, boot.key)
            if count:
                found[boot.boot] = found.get(boot.boot, 0) + count
    return found


def _conflicting(records, key):
    ids, sums = [], []
    for piece in records.pieces:
        own = np.flatnonzero(piece.found.keys == key)
        starts, kinds = piece.found.starts[own], piece.found.kinds[own]
        ids.append(packed(piece.found.keys[own], piece.found.seq[own], piece.found.t_ms[own]))
        ends = starts + KIND_SIZES[kinds] - CRC_SIZE
        sums.append(row_view(piece.blocks.data, CRC_SIZE)[ends].view("<u4").ravel())
    ids, sums = np.concatenate(ids), np.concatenate(sums)  # the same salt: other contents have another checksum
    order = np.lexsort((sums, ids))
    ids, sums = ids[order], sums[order]
    return int(((ids[1:] == ids[:-1]) & (sums[1:] != sums[:-1])).sum())


def told(found, source_count):
    """A sentence for each such boot, without its full stop."""
    step = "decode each source by itself to have both" if source_count > 1 else "the source still holds both"
    return [
        f"boot {boot}: {count:,} records have number and time of another one and say something else, as when two boards"
        f" wrote under one number; of each pair one is in the tables; {step}"
        for boot, count in found.items()
    ]

"""Logs that are one flight by the board's own word: a log begun in the middle of a boot names the one before it.

Boot number, clock and sequence numbers run on through such a joint (shared_protocol/DESIGN.md, "The second copy"), so
what a boot "lacks" before its first frame in the later log is in the earlier one.
"""

import numpy as np

from ground.decode.clock_wrap import WRAP_MS
from ground.decode.frames.sequence import arrange
from ground.decode.frames.wire import KIND_OF_NAME

_WRAP = 65536
_EARLY_MS = 1000  # a task may stamp a reading a little before its neighbour


def links(records):
    """(log id, id of the log before it) of each pair that the board linked; a set, of logs that have frames."""
    kind = KIND_OF_NAME["continues"]
    there = {boot.log_id for boot in records.boots}
    found = set()
    for key, before in zip(records.row_keys[kind].tolist(), records.rows[kind]["log_id"].tolist(), strict=True):
        log_id = records.keys.pairs[key][0]
        if before in there and before != log_id:
            found.add((log_id, before))
    return found


def follow_links(records, boots, logs):
    """Correct `missing` and `gaps` of boots whose beginning is in a linked log."""
    before_of = {log.log_id: log.continues for log in logs if log.continues}
    for boot in boots:
        for before in before_of.get(boot.log_id, ()):
            begun = next((one for one in boots if one.log_id == before and one.boot == boot.boot), None)
            if begun is None or _apart(begun.last_ms, boot.first_ms) < -_EARLY_MS:
                continue
            t_ms, seq = _frames(records, boot)
            last = int(_frames(records, begun)[1][-1])
            between = (int(seq[0]) - last - 1) % _WRAP
            since_ms = (t_ms - t_ms[0]).astype(np.uint32)
            boot.missing = arrange(seq - seq[0], since_ms).missing + between
            boot.gaps = [gap for gap in boot.gaps if gap[1:] != (0, int(t_ms[0]))]
            if between:
                boot.gaps.append((between, begun.last_ms, boot.first_ms))


def _apart(before_ms, behind_ms):
    """From one time to the other, the nearer way round: the board's clock may have begun again between them."""
    return (behind_ms - before_ms + WRAP_MS // 2) % WRAP_MS - WRAP_MS // 2


def _frames(records, boot):
    """Times and sequence numbers of a boot's frames, in order of time."""
    every = zip(records.rows, records.row_keys, strict=True)
    places = [(rows, np.flatnonzero(keys == boot.key)) for rows, keys in every]
    t_ms = np.concatenate([rows["_t_ms"][own] for rows, own in places]).astype(np.int64)
    t_ms = boot.first_ms + (t_ms - boot.first_ms) % WRAP_MS
    seq = np.concatenate([rows["_seq"][own] for rows, own in places])
    order = np.lexsort((seq, t_ms))
    return t_ms[order], seq[order]

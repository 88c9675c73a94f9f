"""Intact frames of a type that this decoder does not know: a newer firmware's, passed over and counted.

They stand in gaps, end to end from the gap's beginning, and carry the salt of their sector. What damage turned into
such a pair of type and length is far more common, so all gaps are tried at once, one frame of each in a round.
"""

from zlib import crc32

import numpy as np

from ground.decode.frames import crc_tables
from ground.decode.frames.wire import NO_KIND, SECTOR_SHIFT, SYNC_WORD, kind_of_pair, rows_at
from shared_protocol.frame import CRC_SIZE, OVERHEAD

_MANY = 200  # frames of one size from which the tables are quicker than a call for each


def pass_over(blocks, begins, ends, possible):
    """Where each gap goes on behind its intact frames of unknown kind, and these counted; only `possible` have any.

    Returns
    -------
    rest : numpy.ndarray of int64, shape (gaps,)
        `begins` where there is none.
    unknown : dict of (int, int, int) to int
        By key number, type and length.
    """
    rest, unknown = begins, {}
    enough = ends.take(possible) - begins.take(possible) >= OVERHEAD
    chosen = possible[enough & (blocks.owner.take(begins.take(possible) >> SECTOR_SHIFT) >= 0)]
    while len(chosen):
        at = rest[chosen]
        heads = rows_at(blocks.data, at, 4).view("<u2")
        length = (heads[:, 1] >> 8).astype(np.int64)
        maybe = (heads[:, 0] == SYNC_WORD) & (kind_of_pair().take(heads[:, 1]) == NO_KIND)
        maybe &= (at + OVERHEAD + length <= ends[chosen]) & (length % 2 == 0)  # every length there will be is even
        chosen, at, pairs, length = chosen[maybe], at[maybe], heads[maybe, 1], length[maybe]
        keys = blocks.owner[begins[chosen] >> SECTOR_SHIFT]
        intact = _intact(blocks, at, OVERHEAD + length, keys)
        chosen = chosen[intact]
        if len(chosen):
            rest = begins.copy() if rest is begins else rest
            rest[chosen] += OVERHEAD + length[intact]
            _count(unknown, keys[intact], pairs[intact])
    return rest, unknown


def _intact(blocks, at, sizes, keys):
    """Whether frames of any even size are valid under the salt of their key; bool, shape (n,)."""
    result = np.zeros(len(at), dtype=bool)
    salts = blocks.keys.salts()
    counts = np.bincount(sizes)
    many = np.flatnonzero(counts >= _MANY)
    many = many[many - CRC_SIZE <= crc_tables.DATA_SIZE_MAX]
    for size in many.tolist():
        chosen = np.flatnonzero(sizes == size)
        rows = rows_at(blocks.data, at[chosen], size)
        crc = crc_tables.fixed_length_crc(rows[:, :-CRC_SIZE])
        crc ^= crc_tables.advance(salts, size - CRC_SIZE)[keys[chosen]]
        result[chosen] = crc == np.ascontiguousarray(rows[:, -CRC_SIZE:]).view("<u4").ravel()
    others, view = np.flatnonzero(~np.isin(sizes, many)), memoryview(blocks.data)
    bodies = (at[others] + sizes[others] - CRC_SIZE).tolist()
    starts = salts[keys[others]].tolist()
    found = [crc32(view[a:b], salt) for a, b, salt in zip(at[others].tolist(), bodies, starts, strict=True)]
    stored = rows_at(blocks.data, np.array(bodies, dtype=np.int64), CRC_SIZE).view("<u4").ravel()
    result[others] = np.array(found, dtype=np.uint32) == stored
    return result


def _count(unknown, keys, pairs):
    entries, counts = np.unique(np.stack([keys.astype(np.int64), pairs.astype(np.int64)]), axis=1, return_counts=True)
    for key, pair, count in zip(*entries.tolist(), counts.tolist(), strict=True):
        entry = (key, pair & 0xFF, pair >> 8)
        unknown[entry] = unknown.get(entry, 0) + count

"""Numbers of a log's sectors that gave nothing, and what lies in their places now.

A copy in which the sectors on both sides lie as far apart as their numbers has a place for those between; of several
copies the one that lacks least tells. The beginning of a log is number 0.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.copies import second_copy_blocks
from ground.decode.frames.wire import SECTOR_SIZE

_T_MS, _SECTOR = slice(6, 10), slice(18, 22)  # in a sector's header


@dataclass
class Lost:
    """Sectors of one log, first to last, that gave no record; `why`: a key of losses' words.

    `before`, `behind`: key number and ms since boot of the sectors beside them; None at the beginning of the log.
    """

    first: int
    last: int
    why: str
    before: tuple | None
    behind: tuple


def lost_sectors(records, log_id):
    """Stretches of a log's sector numbers that gave nothing; list of Lost."""
    sectors, keys, t_ms, _places = sectors_of(records, log_id)
    if len(sectors) == 0:
        return []
    result, pieces = [], _by_piece(sectors_of(records, log_id, every=True))
    for n in np.flatnonzero(np.diff(sectors, prepend=-1) > 1).tolist():
        first, last = int(sectors[n - 1]) + 1 if n else 0, int(sectors[n]) - 1
        if n and first == last and keys[n - 1] != keys[n]:
            continue  # left out by the power-up between them
        beside = [(int(keys[k]), int(t_ms[k])) if k >= 0 else None for k in (n - 1, n)]
        looks = [
            _looked_at(records.pieces[piece], begin, begin + last - first + 1, records, log_id)
            for piece, begin in _rooms(records, pieces, first, last)
        ]
        absent = [(0, last - first, "absent")]
        parts = min(looks, key=lambda look: sum(b - a + 1 for a, b, _why in look), default=absent)
        result += [Lost(first + a, first + b, why, *beside) for a, b, why in parts]
    return result


def sectors_of(records, log_id, every=False):
    """Number, key, time and (piece, block) of each sector with an intact header, by number.

    `every`: also those that are there more than once, else each number once.
    """
    columns = [(np.empty(0, np.int64),) * 3 + (np.empty((0, 2), np.int64),)]
    mine = np.array([pair[0] == log_id for pair in records.keys.pairs] + [False])
    for number, piece in enumerate(records.pieces):
        # LOOSE is -1, the last one; the second copy numbers its sectors by itself
        blocks = np.flatnonzero(mine[piece.blocks.owner] & ~second_copy_blocks(piece.blocks))
        heads = piece.blocks.data.reshape(-1, SECTOR_SIZE)[blocks, : _SECTOR.stop]
        words = [np.ascontiguousarray(heads[:, part]).view("<u4").ravel().astype(np.int64) for part in (_SECTOR, _T_MS)]
        place = np.stack([np.full(len(blocks), number), blocks], axis=1)
        columns.append((words[0], piece.blocks.owner[blocks].astype(np.int64), words[1], place))
    whole = [np.concatenate(column) for column in zip(*columns, strict=True)]
    order = np.argsort(whole[0], kind="stable") if every else np.unique(whole[0], return_index=True)[1]
    return [column[order] for column in whole]


def _by_piece(found):
    """(numbers, blocks) of the sectors of each piece, by its number; the numbers rise."""
    sectors, _keys, _t_ms, places = found
    return {
        piece: (sectors[places[:, 0] == piece], places[places[:, 0] == piece, 1])
        for piece in np.unique(places[:, 0]).tolist()
    }


def _rooms(records, pieces, first, last):
    """(piece, block of `first`) wherever there is a place for the sectors from first to last."""
    for piece, (numbers, blocks) in pieces.items():
        at = int(np.searchsorted(numbers, first))
        if at == len(numbers) or (at == 0 and first):
            continue
        behind = int(blocks[at])
        begin = behind - (int(numbers[at]) - first)
        before = int(blocks[at - 1]) if first else begin
        if before < 0 or (first and begin - before != first - int(numbers[at - 1])):
            continue
        if records.pieces[piece].blocks.joined[before:behind].all():
            yield piece, begin


def _looked_at(piece, begin, end, records, log_id):
    """(first, last, why) of some blocks, counted from 0; without those that gave records all the same."""
    mine = np.array([pair[0] == log_id for pair in records.keys.pairs], dtype=bool)
    blocks = np.arange(begin, end)
    gave = np.isin(blocks, piece.found.starts[mine[piece.found.keys]] // SECTOR_SIZE)
    empty = ~piece.blocks.data.reshape(-1, SECTOR_SIZE)[blocks].any(axis=1)
    state = np.select([gave, empty, piece.blocks.owner[blocks] >= 0], [0, 1, 2], 3)
    edges = np.flatnonzero(np.diff(state)) + 1
    return [
        (int(a), int(b) - 1, ("", "empty", "foreign", "spoilt")[state[a]])
        for a, b in zip(np.append(0, edges), np.append(edges, len(state)), strict=True)
        if state[a]
    ]

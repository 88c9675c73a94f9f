"""Whose frames are, where no sector header is left to say so: the salt of their CRC, worked out from themselves.

CRC is linear. For a whole frame `crc32(body, 0) ^ stored CRC` is its salt, sent through the register for as many bytes
as the body has (crc_tables.py), so every frame gives its salt back; what only looks like one gives a random number.
Where four different frames give the same, they are of one boot of one log. By chance four of n do so in n^4 / (24 x
2^96) cases: a million beginnings of frames that are none, more than a card holds, leave one chance in 10^12.

A salt is the CRC of the log's id and the boot's number. What is left of hurt headers says both in most cases; a pair
that gives the salt is the right one but for one chance in 2^32. Where nothing is left, only the differences of boots
can be known (CRC is linear: another id with other boots gives the same salts), so the numbers are a guess: such that
boots rise as they lie, as low as can be. That is good enough to tell logs apart and to join their boots.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.frames import crc_tables, frame_check
from ground.decode.frames.wire import HEADER_KIND, KIND_SIZES, SECTOR_SIZE, kind_of_pair, row_view, rows_at
from ground.decode.salvage.carve import SLICE, likely
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, PREFIX_SIZE

_ENOUGH = 4  # different frames
_BOOTS_MAX = 1000  # power-ups of one board that are thought of
_BOOTS_MOST = 64  # of one source, those with the most frames: a file made to be slow could hold a million
_STAMP = np.dtype([("salt", "<u4"), ("seq", "<u2"), ("t_ms", "<u4")])
_SEQ_AT = 4


@dataclass(frozen=True)
class Boot:
    """A boot known by its frames alone; `guessed` where nothing confirms its numbers."""

    log_id: int
    boot: int
    guessed: bool


def boots(buffers):
    """Boots of which some bytes hold frames, as list of Boot, rising.

    Parameters
    ----------
    buffers : iterable of numpy.ndarray of uint8
    """
    pairs, stamps = set(), [np.empty(0, _STAMP)]
    for data in buffers:
        slices = range(0, len(data), SLICE)
        at = np.concatenate([likely(data, begin, min(begin + SLICE, len(data))) for begin in slices])
        kinds = kind_of_pair()[data[at + 2] | data[at + 3].astype(np.uint16) << 8]
        inside = at + KIND_SIZES[kinds] <= len(data)
        at, kinds = at[inside], kinds[inside]
        pairs |= _pairs_named(data, at[kinds == HEADER_KIND])
        stamps.append(_stamps(data, at[kinds != HEADER_KIND], kinds[kinds != HEADER_KIND]))
    stamps = np.concatenate(stamps)
    values, counts = np.unique(np.unique(stamps)["salt"], return_counts=True)
    enough = np.flatnonzero(counts >= _ENOUGH)
    most = enough[np.argsort(-counts[enough], kind="stable")][:_BOOTS_MOST]
    salts = _as_they_lie(stamps["salt"], values[most])
    named = {frame_salt(*pair): Boot(*pair, guessed=False) for pair in pairs if frame_salt(*pair) in salts}
    guesses = _guesses([salt for salt in salts if salt not in named])
    return sorted([*named.values(), *guesses], key=lambda one: (one.log_id, one.boot))


def _as_they_lie(column, values):
    """Some values of a column in the order in which it first has them; list."""
    firsts = [int((column == value).argmax()) for value in values]
    return [int(value) for _first, value in sorted(zip(firsts, values.tolist(), strict=True))]


def _stamps(data, starts, kinds):
    """Salt, number and time of what looks like data frames; _STAMP."""
    stamps = np.empty(len(starts), dtype=_STAMP)
    syndromes = frame_check.syndromes(data, starts, kinds)
    for kind in np.unique(kinds).tolist():
        mine = kinds == kind
        stamps["salt"][mine] = crc_tables.retreat(syndromes[mine], int(KIND_SIZES[kind]) - CRC_SIZE)
    if len(starts):
        both = row_view(data, 6)[starts + _SEQ_AT].view(np.dtype([("seq", "<u2"), ("t_ms", "<u4")]))
        stamps["seq"], stamps["t_ms"] = both["seq"], both["t_ms"]
    return stamps


def _pairs_named(data, marks):
    """(log id, boot) that stand where hurt headers may have been: at sector marks and at the beginnings of blocks."""
    pairs = {tuple(pair) for pair in rows_at(data, marks + PREFIX_SIZE, 8).view("<u4").tolist()}
    whole = data[: len(data) // SECTOR_SIZE * SECTOR_SIZE].reshape(-1, SECTOR_SIZE)
    named = np.unique(np.ascontiguousarray(whole[:, PREFIX_SIZE : PREFIX_SIZE + 8]).view("<u8"))
    return pairs | {(value & 0xFFFFFFFF, value >> 32) for value in named.tolist()}


def _guesses(salts):
    """A Boot for each salt, given in the order in which they lie."""
    # crc32(log id, boot) = crc32(0, boot) ^ M[8](log id): without the boot's share and moved back it is the log id
    by_boot = np.array([frame_salt(0, boot) for boot in range(_BOOTS_MAX)], dtype=np.uint32)
    found = []
    while salts:
        ids = crc_tables.retreat(np.array(salts, dtype=np.uint32)[:, None] ^ by_boot, 8)
        values, counts = np.unique(ids, return_counts=True)
        if counts.max() == 1:  # no two of them are of one log
            return found + [Boot(log_id, 1, guessed=True) for log_id in ids[:, 1].tolist()]
        likeliest = values[counts == counts.max()].tolist()
        log_id = min(likeliest, key=lambda log_id: _oddity(np.nonzero(ids == log_id)[1]))
        rows, boots = np.nonzero(ids == log_id)
        found += [Boot(log_id, boot, guessed=True) for boot in boots.tolist()]
        salts = [salt for row, salt in enumerate(salts) if row not in rows]
    return found


def _oddity(boots):
    """How odd some numbers of boots would be: falling ones, a boot 0, high ones."""
    return bool((np.diff(boots) < 0).any()), bool((boots == 0).any()), int(boots.max())

"""All intact frames of a source as one structured array per record type, boot by boot in order, nothing twice.

`read` is the decoder's pure core: bytes in, arrays and an account out. It neither opens files nor knows physics, and
no bytes make it raise.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.decode.damage import Damage, account
from ground.decode.instruments import rows_by_value
from ground.decode.predict import NOTHING, Found, clean_frames
from ground.decode.rough import rough_frames, together
from ground.decode.sectors import Blocks, Keys, split
from ground.decode.sequence import arrange
from ground.decode.threads import each
from ground.decode.wire import KIND_COUNT, KIND_SIZES, frame_dtypes, row_view

_GAPS_MAX = 8
_STEP = 1 << 16  # frames copied at a time, 2 MiB


@dataclass
class Piece:
    """One stretch of bytes after the search: its blocks, its data frames and its damage."""

    blocks: Blocks
    found: Found
    damage: Damage


@dataclass
class BootFrames:
    """What is left of one boot in one log; times in milliseconds since that boot."""

    key: int
    log_id: int
    boot: int
    frames: int
    missing: int
    duplicate: int
    first_ms: int
    last_ms: int
    longest_gap_ms: int
    longest_gap_at_ms: int
    gaps: list = field(default_factory=list)  # of (frames missing, time before, time behind), the ones that miss most


@dataclass
class Records:
    """Every intact frame, once.

    Attributes
    ----------
    keys : Keys
        Numbers of the (log, boot) pairs.
    rows : list of structured arrays, by kind
        Whole frames as `wire.frame_dtypes` lays them out; in order of log, boot and sequence number.
    row_keys : list of int32 arrays, by kind
        Key number of each row.
    boots : list of BootFrames
        Rising by log and boot.
    pieces : list of Piece
    """

    keys: Keys
    rows: list
    row_keys: list
    boots: list = field(default_factory=list)
    pieces: list = field(default_factory=list)


def search(blocks):
    """All intact data frames of some blocks."""
    parts, settled = clean_frames(blocks)
    rough = rough_frames(blocks, settled)
    damage = account(blocks, settled, rough)
    parts = [together(part, more.found) for part, more in zip(parts, rough, strict=True)]
    return Piece(blocks, Found(*(np.concatenate(column) for column in zip(NOTHING, *parts, strict=True))), damage)


def read(buffers):
    """Records of one or more stretches of bytes.

    Parameters
    ----------
    buffers : iterable of numpy.ndarray of uint8, or of tuples (array, joined) or (array, joined, aligned)
        See `sectors.split`.
    """
    keys = Keys()
    parts = [part if isinstance(part, tuple) else (part,) for part in buffers]
    # twice over the headers first: a loose block of the first piece may belong to a boot that the second one names
    blocks = [split(data, keys, *more) for data, *more in parts]
    return collect([search(one) for one in blocks if one.count], keys)


def collect(pieces, keys):
    """Put the frames of all pieces in order, boot by boot, and cut them into one array per kind."""
    seq = _joined([piece.found.seq for piece in pieces], np.uint16)
    t_ms = _joined([piece.found.t_ms for piece in pieces], np.uint32)
    owner = _joined([piece.found.keys for piece in pieces], np.int32)
    kinds = _joined([piece.found.kinds for piece in pieces], np.uint8)
    boots, orders = [], []
    by_key = dict(rows_by_value(owner)) if len(keys.pairs) > 1 else {0: slice(None)} if len(owner) else {}
    for key in sorted(by_key, key=keys.pairs.__getitem__):
        mine = by_key[key]
        sequence = arrange(seq[mine], t_ms[mine])
        own_t = t_ms[mine] if sequence.order is None else t_ms[mine][sequence.order]
        own_seq = seq[mine] if sequence.order is None else seq[mine][sequence.order]
        boots.append(_boot(key, keys.pairs[key], sequence, own_t, own_seq))
        if isinstance(mine, slice):
            orders.append(sequence.order)
        else:
            orders.append(mine if sequence.order is None else mine[sequence.order])
    order = None if len(orders) == 1 and orders[0] is None else _joined(orders, np.int64)
    if order is not None and len(order) == len(seq) and (order[1:] > order[:-1]).all():
        order = None  # all there and in place
    rows, row_keys = _rows_by_kind(pieces, kinds, owner, order)
    return Records(keys, rows, row_keys, boots, pieces)


def _joined(arrays, dtype):
    return np.concatenate(arrays) if len(arrays) > 1 else arrays[0] if arrays else np.empty(0, dtype)


def _boot(key, pair, sequence, t_ms, seq):
    gap_ms, gap_at = 0, int(t_ms[0])
    if len(t_ms) > 1:
        steps = np.diff(np.ascontiguousarray(t_ms)).view(
            np.int32
        )  # a task may stamp a reading a little before its neighbour
        longest = int(steps.argmax())
        gap_ms, gap_at = int(steps[longest]), int(t_ms[longest])
    return BootFrames(
        key,
        pair[0],
        pair[1],
        sequence.kept,
        sequence.missing,
        sequence.duplicate,
        int(t_ms.min()),
        int(t_ms.max()),
        gap_ms,
        gap_at,
        _gaps(seq, t_ms) if sequence.missing else [],
    )


def _gaps(seq, t_ms):
    """Where frames are missing; also before the first one, which a boot numbers 0."""
    step = np.diff(seq)  # unsigned: wraps by itself
    places = np.flatnonzero(step > 1)
    lost = step[places].astype(np.int64)
    if len(places) > _GAPS_MAX:
        limit = np.partition(lost, -_GAPS_MAX)[-_GAPS_MAX]
        places, lost = places[lost >= limit], lost[lost >= limit]
    worst = places[np.argsort(-lost, kind="stable")[:_GAPS_MAX]]
    gaps = [(int(step[n]) - 1, int(t_ms[n]), int(t_ms[n + 1])) for n in worst.tolist()]
    return gaps + ([(int(seq[0]), 0, int(t_ms[0]))] if seq[0] else [])


def _rows_by_kind(pieces, kinds, owner, order):
    """Whole frames by kind, in the given order (None: as they are)."""
    counts = np.bincount(kinds if order is None else kinds[order], minlength=KIND_COUNT)
    out = [np.empty(count, dtype=f"V{size}") for count, size in zip(counts, KIND_SIZES, strict=True)]
    row_keys = [np.zeros(count, dtype=np.int32) for count in counts]
    if order is None:
        filled = np.zeros(KIND_COUNT, dtype=np.int64)
        for piece in pieces:
            _fill_in_place(piece, out, row_keys, filled)
    else:
        _fill_in_order(pieces, kinds, owner, order, out, row_keys)
    rows = [rows.view(frame_dtypes()[kind]) for kind, rows in enumerate(out)]
    return rows, row_keys


def _fill_in_place(piece, out, row_keys, filled):
    """Copy a piece's frames behind what is there, a few thousand at a time: source and goal then stay in the cache."""
    found = piece.found
    views = [row_view(piece.blocks.data, int(size)) for size in KIND_SIZES]
    several = found.keys.any()
    begins = range(0, len(found.starts), _STEP)
    counts = np.array([np.bincount(found.kinds[begin : begin + _STEP], minlength=KIND_COUNT) for begin in begins])
    goals = filled + np.cumsum(counts, axis=0) - counts if len(counts) else counts

    def copy(step):
        stretch = slice(begins[step], begins[step] + _STEP)
        kinds, starts = found.kinds[stretch], found.starts[stretch]
        for kind in np.flatnonzero(counts[step]).tolist():
            chosen = np.flatnonzero(kinds == kind)
            goal = slice(goals[step, kind], goals[step, kind] + len(chosen))
            out[kind][goal] = views[kind][starts[chosen]]
            if several:
                row_keys[kind][goal] = found.keys[stretch][chosen]

    each(copy, range(len(begins)))
    if len(counts):
        filled += counts.sum(axis=0)


def _fill_in_order(pieces, kinds, owner, order, out, row_keys):
    ends = np.cumsum([len(piece.found.starts) for piece in pieces])
    ordered_kinds = kinds[order]
    for kind in range(KIND_COUNT):
        chosen = order[ordered_kinds == kind]
        row_keys[kind][:] = owner[chosen]
        for piece, end in zip(pieces, ends, strict=True):
            begin = end - len(piece.found.starts)
            here = np.flatnonzero((chosen >= begin) & (chosen < end))
            if len(here):
                out[kind][here] = row_view(piece.blocks.data, int(KIND_SIZES[kind]))[
                    piece.found.starts[chosen[here] - begin]
                ]

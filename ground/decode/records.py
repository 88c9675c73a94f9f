"""All intact frames of a source as one structured array per record type, boot by boot in order, nothing twice.

`read` is the decoder's pure core: bytes in, arrays and an account out. It neither opens files nor knows physics, and
no bytes make it raise.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.decode.damage import Damage, account
from ground.decode.predict import clean_frames
from ground.decode.rough import rough_frames
from ground.decode.sectors import Blocks, Keys, split
from ground.decode.sequence import arrange
from ground.decode.wire import HEADER_KIND, KIND_COUNT, KIND_SIZES, SECTOR_SIZE, frame_dtypes, rows_at

_STAMP = np.dtype([("seq", "<u2"), ("t_ms", "<u4")])
_STAMP_OFFSET = 4


@dataclass
class Piece:
    """One stretch of bytes after the search: its blocks, its data frames and its damage."""

    blocks: Blocks
    starts: np.ndarray  # int64, rising
    kinds: np.ndarray  # uint8
    keys: np.ndarray  # int32
    damage: Damage

    def stamps(self):
        """Sequence number and time of each frame; structured array."""
        return rows_at(self.blocks.data, self.starts + _STAMP_OFFSET, _STAMP.itemsize).view(_STAMP).ravel()


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
    starts, kinds, clean = clean_frames(blocks)
    data_frames = kinds != HEADER_KIND
    starts, kinds = starts[data_frames], kinds[data_frames]
    keys = blocks.owner[starts // SECTOR_SIZE] if (blocks.owner != 0).any() else np.zeros(len(starts), np.int32)
    rough = rough_frames(blocks, clean)
    damage = account(blocks, clean, rough)
    if len(rough.starts):
        starts = np.concatenate([starts, rough.starts])
        order = np.argsort(starts, kind="stable")
        starts = starts[order]
        kinds = np.concatenate([kinds, rough.kinds])[order]
        keys = np.concatenate([keys, rough.keys])[order]
    return Piece(blocks, starts, kinds, keys, damage)


def read(buffers):
    """Records of one or more stretches of bytes.

    Parameters
    ----------
    buffers : iterable of numpy.ndarray of uint8, or of (array, joined) pairs
        See `sectors.split`.
    """
    keys = Keys()
    parts = [part if isinstance(part, tuple) else (part, None) for part in buffers]
    # twice over the headers first: a loose block of the first piece may belong to a boot that the second one names
    blocks = [split(data, keys, joined) for data, joined in parts]
    return collect([search(one) for one in blocks if one.count], keys)


def collect(pieces, keys):
    """Put the frames of all pieces in order, boot by boot, and cut them into one array per kind."""
    stamps = _joined([piece.stamps() for piece in pieces], _STAMP)
    owner = _joined([piece.keys for piece in pieces], np.int32)
    kinds = _joined([piece.kinds for piece in pieces], np.uint8)
    seq, t_ms = stamps["seq"], stamps["t_ms"]
    boots, orders = [], []
    for key in sorted(range(len(keys.pairs)), key=keys.pairs.__getitem__):
        mine = slice(None) if key == 0 and len(keys.pairs) == 1 else np.flatnonzero(owner == key)
        own_seq, own_t = seq[mine], t_ms[mine]
        if len(own_seq) == 0:
            continue
        sequence = arrange(own_seq, own_t)
        if sequence.order is not None:
            own_t = own_t[sequence.order]
        boots.append(_boot(key, keys.pairs[key], sequence, own_t))
        members = np.arange(len(seq)) if isinstance(mine, slice) else mine
        orders.append(members if sequence.order is None else members[sequence.order])
    order = _joined(orders, np.int64)
    in_place = len(order) == len(seq) and bool((order[1:] > order[:-1]).all())
    rows, row_keys = _rows_by_kind(pieces, kinds, owner, None if in_place else order)
    return Records(keys, rows, row_keys, boots, pieces)


def _joined(arrays, dtype):
    return np.concatenate(arrays) if len(arrays) > 1 else arrays[0] if arrays else np.empty(0, dtype)


def _boot(key, pair, sequence, t_ms):
    gap_ms, gap_at = 0, int(t_ms[0])
    if len(t_ms) > 1:
        steps = np.diff(t_ms.astype(np.int64))
        longest = int(steps.argmax())
        gap_ms, gap_at = int(steps[longest]), int(t_ms[longest])
    return BootFrames(key, pair[0], pair[1], sequence.kept, sequence.missing, sequence.duplicate,
                      int(t_ms.min()), int(t_ms.max()), gap_ms, gap_at)


def _rows_by_kind(pieces, kinds, owner, order):
    """Whole frames by kind, in the given order (None: as they are)."""
    rows, row_keys = [], []
    ends = np.cumsum([len(piece.starts) for piece in pieces])
    ordered_kinds = kinds if order is None else kinds[order]
    for kind in range(KIND_COUNT):
        chosen = np.flatnonzero(ordered_kinds == kind)
        if order is not None:
            chosen = order[chosen]
        size = int(KIND_SIZES[kind])
        out = None
        if len(pieces) == 1:
            out = rows_at(pieces[0].blocks.data, pieces[0].starts[chosen], size)
        else:
            out = np.empty((len(chosen), size), dtype=np.uint8)
            for piece, end in zip(pieces, ends, strict=True):
                begin = end - len(piece.starts)
                here = np.flatnonzero((chosen >= begin) & (chosen < end))
                out[here] = rows_at(piece.blocks.data, piece.starts[chosen[here] - begin], size)
        rows.append(out.view(frame_dtypes()[kind]).reshape(len(chosen)))
        row_keys.append(owner[chosen])
    return rows, row_keys

"""All intact frames of a source as one structured array per record type, boot by boot in order, nothing twice.

`read` is the decoder's pure core: bytes in, arrays and an account out. It neither opens files nor knows physics, and
no bytes make it raise.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.frames.close_look import untouched
from ground.decode.frames.damage import Damage, account
from ground.decode.frames.found import end_to_end
from ground.decode.frames.predict import Predictor, room_for
from ground.decode.frames.rough import CloseLook, settle_across
from ground.decode.frames.runs import joined_run, run_of
from ground.decode.frames.sectors import Blocks, Keys, intact_text, prove_headers, split
from ground.decode.frames.sequence import arrange, before_first
from ground.decode.frames.threads import beside, each
from ground.decode.frames.wire import KIND_COUNT, KIND_SIZES, frame_dtypes, row_view
from shared_protocol.crc import frame_salt

_ROWS_AT_ONCE = 1 << 16  # put in order by one thread


@dataclass
class Piece:
    """One stretch of bytes after the search: its blocks, its data frames and its damage."""

    blocks: Blocks
    batches: list
    damage: Damage | None = None

    @cached_property
    def found(self):
        """All its frames."""
        return end_to_end([batch.found for batch in self.batches])


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
    """The Piece of some blocks with all intact data frames; and a function that gives its Damage once it is ready."""
    text = intact_text(blocks)
    slots = room_for(blocks)
    firsts = range(0, blocks.count, blocks.chunk)
    prove_headers(blocks, np.array(firsts))  # a frame of the chunk before may run into a block without a header
    predictor, close_look = Predictor(blocks, text, slots), CloseLook(blocks, text, slots)

    def look(chunk):
        attempt = predictor.attempt(chunk)
        if attempt.batch:
            return attempt.good, attempt.spoilt, untouched(attempt.batch)
        hurt_headers = prove_headers(blocks, np.flatnonzero(~attempt.good) + firsts[chunk])
        return attempt.good, attempt.spoilt, close_look.look(chunk, attempt, hurt_headers)

    good, spoilt, rough = zip(*each(look, range(len(firsts)), blocks.size), strict=True)
    settle_across(blocks, rough)
    damage = beside(lambda: account(blocks, np.concatenate(good), text, spoilt, rough), blocks.size)
    return Piece(blocks, [part.batch for part in rough]), damage


def read(buffers, nameless=()):
    """Records of one or more stretches of bytes.

    Parameters
    ----------
    buffers : iterable of numpy.ndarray of uint8, or of tuples (array, joined) or (array, joined, aligned)
        See `sectors.split`.
    nameless : iterable of (int, int)
        Log id and boot that frames are salted with where no header says so; of no use where one does.
    """
    keys = Keys()
    parts = [part if isinstance(part, tuple) else (part,) for part in buffers]
    # twice over the headers first: a loose block of the first piece may belong to a boot that the second one names
    blocks = [split(data, keys, *more) for data, *more in parts]
    named = set(keys.salts().tolist())
    for pair in nameless:
        if frame_salt(*pair) not in named:
            keys.add(*pair)
    found = [search(one) for one in blocks if one.count]
    records = collect([piece for piece, _damage in found], keys)
    for piece, damage in found:
        piece.damage = damage()
    return records


def collect(pieces, keys):
    """Put the frames of all pieces in order, boot by boot, and cut them into one array per kind."""
    batches = [batch for piece in pieces for batch in piece.batches if batch.run]
    run = joined_run([batch.run for batch in batches])
    key = batches[0].key if batches else None
    if run and key is not None and all(batch.key == key for batch in batches):
        before = before_first(run.first_seq, run.begin_ms, run.last_ms, run.frames + run.missing)
        boots = [_boot(key, keys.pairs[key], run, run.missing + before, 0)]
        return Records(keys, *_rows_in_place(pieces), boots, pieces)
    boots, order = _in_order([piece.found for piece in pieces], keys)
    rows = _rows_in_place(pieces) if order is None else _rows_in_order(pieces, order)
    return Records(keys, *rows, boots, pieces)


def _in_order(founds, keys):
    """The boots, and the order of all frames: log by log, boot by boot, by number; None if it is the source's."""
    seq = _joined([found.seq for found in founds], np.uint16)
    t_ms = _joined([found.t_ms for found in founds], np.uint32)
    boots, orders = [], []
    by_key = _by_key(_joined([found.keys for found in founds], np.int32))
    for key in sorted(by_key, key=keys.pairs.__getitem__):
        mine = by_key[key]
        own_seq, own_t = seq[mine], t_ms[mine]
        sequence = arrange(own_seq, own_t)
        if sequence.order is not None:
            own_seq, own_t = own_seq.take(sequence.order), own_t.take(sequence.order)
        boots.append(_boot(key, keys.pairs[key], run_of(own_seq, own_t), sequence.missing, sequence.duplicate))
        orders.append(_order_in_source(mine, sequence.order))
    order = _joined(orders, np.int64)
    if len(order) == len(seq) and (order[1:] > order[:-1]).all():
        order = None  # all there and in place
    return boots, order


def _by_key(owner):
    """Which frames have each key: a slice where they stand together, else a rising index array."""
    if len(owner) == 0:
        return {}
    begins = np.append(0, np.flatnonzero(np.diff(owner)) + 1)
    values = owner[begins].tolist()
    if len(set(values)) < len(values):
        return dict(rows_by_value(owner))
    ends = [*begins[1:].tolist(), len(owner)]
    return {key: slice(begin, end) for key, begin, end in zip(values, begins.tolist(), ends, strict=True)}


def _order_in_source(mine, order):
    """Frames of one key in their order, as numbers in the source."""
    if isinstance(mine, slice):
        return np.arange(mine.start, mine.stop) if order is None else order + mine.start
    return mine if order is None else mine.take(order)


def _joined(arrays, dtype):
    return np.concatenate(arrays) if len(arrays) > 1 else arrays[0] if arrays else np.empty(0, dtype)


def _boot(key, pair, run, missing, duplicate):
    gaps = run.gaps + [(run.first_seq, 0, run.begin_ms)] * bool(run.first_seq)  # a boot numbers its first frame 0
    times = run.first_ms, run.last_ms, run.gap_ms, run.gap_at_ms
    return BootFrames(key, *pair, run.frames, missing, duplicate, *times, gaps)


def _rows_in_place(pieces):
    """Whole frames by kind in the order of the source, and the key of each."""
    tasks, filled = [], [0] * KIND_COUNT
    for piece in pieces:
        for batch in piece.batches:
            tasks.append((piece.blocks.data, batch, filled))
            filled = [goal + len(starts) for goal, starts in zip(filled, batch.starts, strict=True)]
    rows, row_keys = _empty_rows(filled)

    def copy(task):
        data, batch, goals = task
        for kind, starts in enumerate(batch.starts):
            if len(starts):
                goal = slice(goals[kind], goals[kind] + len(starts))
                rows[kind][goal] = row_view(data, int(KIND_SIZES[kind]))[starts]
                if batch.key is None:
                    row_keys[kind][goal] = batch.found.keys[batch.found.kinds == kind]
                elif batch.key:
                    row_keys[kind][goal] = batch.key

    each(
        copy, reversed(tasks), sum(len(rows) * rows.itemsize for rows in rows)
    )  # the last ones looked at may still be in the cache
    return _as_frames(rows), row_keys


def _rows_in_order(pieces, order):
    """Whole frames by kind in the given order, and the key of each."""
    found = end_to_end([piece.found for piece in pieces])
    kinds = found.kinds.take(order)
    by_kind = [order.take(np.flatnonzero(kinds == kind)) for kind in range(KIND_COUNT)]
    rows, row_keys = _empty_rows([len(chosen) for chosen in by_kind])
    ends = np.cumsum([len(piece.found.starts) for piece in pieces])
    tasks = [
        (kind, slice(first, first + _ROWS_AT_ONCE))
        for kind, chosen in enumerate(by_kind)
        for first in range(0, len(chosen), _ROWS_AT_ONCE)
    ]

    def copy(task):
        kind, part = task
        chosen = by_kind[kind][part]
        row_keys[kind][part] = found.keys.take(chosen)
        starts, own_rows = found.starts.take(chosen), rows[kind][part]
        for piece, end in zip(pieces, ends.tolist(), strict=True):
            view = row_view(piece.blocks.data, int(KIND_SIZES[kind]))
            if len(pieces) == 1:
                own_rows[:] = view[starts]
            else:
                here = np.flatnonzero((chosen >= end - len(piece.found.starts)) & (chosen < end))
                own_rows[here] = view[starts.take(here)]

    each(copy, tasks, sum(own.nbytes for own in rows))
    return _as_frames(rows), row_keys


def _empty_rows(counts):
    rows = [np.empty(count, dtype=f"V{size}") for count, size in zip(counts, KIND_SIZES, strict=True)]
    return rows, [np.zeros(count, dtype=np.int32) for count in counts]


def _as_frames(rows):
    return [rows.view(frame_dtypes()[kind]) for kind, rows in enumerate(rows)]

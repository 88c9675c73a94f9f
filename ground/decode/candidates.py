"""What looks like a frame in some blocks: the sync word at any offset, even or odd, and a legal type and length."""

from threading import local

import numpy as np

from ground.decode.wire import KIND_COUNT, KIND_SIZES, NO_KIND, SECTOR_SHIFT, SECTOR_SIZE, SYNC_WORD, kind_of_pair

_TOO_LONG = 2 * SECTOR_SIZE
_SIZES = np.full(NO_KIND + 1, _TOO_LONG, dtype=np.int16)  # by kind, also of what is none
_SIZES[:KIND_COUNT] = KIND_SIZES
_own = local()


def near_copy(blocks, source):
    """The bytes of the blocks with these rising numbers, one behind the other; a copy only if some are left out.

    The copy lives in this thread's scratch memory, until the next call.
    """
    first, last = int(source[0]), int(source[-1]) + 1
    if last - first == len(source):
        return blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
    rows = getattr(_own, "rows", None)
    if rows is None or len(rows) < len(source):
        rows = _own.rows = np.empty((len(source), SECTOR_SIZE), dtype=np.uint8)
    rows = rows[: len(source)]
    np.take(blocks.data.reshape(-1, SECTOR_SIZE)[first:last], source - first, axis=0, out=rows, mode="clip")
    return rows.ravel()


def looks_like_frames(blocks, source, data):
    """Where in `near_copy(blocks, source)` a frame may stand: offsets, rising, and kinds (int64, uint8).

    At each there is a sync word with a legal type and length behind it and room for the whole frame. What begins where
    an owned block does is that block's header and left out.
    """
    words = data.view("<u2")
    at = np.flatnonzero(words[:-1] == SYNC_WORD)
    kinds = kind_of_pair().take(words[1:].take(at))
    at <<= 1
    at, kinds = _that_fit(blocks, source, at, kinds)
    odd, odd_kinds = _that_fit(blocks, source, *_at_odd_offsets(data))
    if len(odd) == 0:
        return at, kinds
    at, kinds = np.concatenate([at, odd]), np.concatenate([kinds, odd_kinds])
    order = np.argsort(at, kind="stable")  # two rising runs: merged in one pass
    return at.take(order), kinds.take(order)


def _at_odd_offsets(data):
    between = np.ndarray((max(len(data) // 2 - 1, 0),), dtype="<u2", buffer=data, offset=min(1, len(data)))
    at = 2 * np.flatnonzero(between == SYNC_WORD) + 1
    at = at[at + 3 < len(data)]
    return at, kind_of_pair().take(data[at + 2] | data[at + 3].astype(np.uint16) << 8)


def _that_fit(blocks, source, at, kinds):
    """Those of legal kind that leave room for a frame.

    Lost or inserted bytes shift what comes behind them, so a frame may run into the next block if that follows in the
    source too and does not begin with a header of its own.
    """
    inside = (at & (SECTOR_SIZE - 1)).astype(np.int16)
    ends = inside + _SIZES.take(kinds)
    special = np.flatnonzero((ends > SECTOR_SIZE) | (inside == 0))  # few; all others are well inside of their block
    here = at[special] >> SECTOR_SHIFT
    there = np.minimum(here + 1, len(source) - 1)
    follows = (source[there] == source[here] + 1) & blocks.joined[source[here]] & (blocks.owner[source[there]] < 0)
    fits = (ends[special] <= SECTOR_SIZE) | (follows & (kinds[special] != NO_KIND))
    fits &= (inside[special] != 0) | (blocks.owner[source[here]] < 0)
    keep = np.ones(len(at), dtype=bool)
    keep[special] = fits
    if blocks.size < blocks.count * SECTOR_SIZE and source[-1] == blocks.count - 1:
        keep &= source[at >> SECTOR_SHIFT] * SECTOR_SIZE + ends <= blocks.size
    chosen = np.flatnonzero(keep)
    return at.take(chosen), kinds.take(chosen)

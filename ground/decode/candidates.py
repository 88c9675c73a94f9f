"""What looks like a frame in some blocks: the sync word at any offset, even or odd, and a legal type and length."""

from threading import local

import numpy as np

from ground.decode.wire import KIND_SIZES, NO_KIND, SECTOR_SIZE, SYNC_WORD, kind_of_pair

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


def looks_like_frames(data):
    """Offsets, rising, of a sync word with a legal type and length behind it, and their kinds (int64, uint8)."""
    words = data.view("<u2")
    at = np.flatnonzero(words[:-1] == SYNC_WORD)
    kinds = kind_of_pair().take(words.take(at + 1))
    at <<= 1
    odd, odd_kinds = _at_odd_offsets(data)
    keep = kinds != NO_KIND
    if not keep.all():
        at, kinds = at[keep], kinds[keep]
    if len(odd) == 0:
        return at, kinds
    order = np.argsort(at_all := np.concatenate([at, odd]), kind="stable")  # two rising runs: merged in one pass
    return at_all[order], np.concatenate([kinds, odd_kinds])[order]


def _at_odd_offsets(data):
    between = np.ndarray((max(len(data) // 2 - 1, 0),), dtype="<u2", buffer=data, offset=min(1, len(data)))
    at = 2 * np.flatnonzero(between == SYNC_WORD) + 1
    at = at[at + 3 < len(data)]
    kinds = kind_of_pair().take(data[at + 2] | data[at + 3].astype(np.uint16) << 8)
    keep = kinds != NO_KIND
    return at[keep], kinds[keep]


def that_fit(blocks, source, at, kinds):
    """Of the offsets in `near_copy(blocks, source)`, which leave room for a frame; bool, shape (n,).

    Lost or inserted bytes shift what comes behind them, so a frame may run into the next block if that follows in the
    source too and does not begin with a header of its own.
    """
    inside = at & (SECTOR_SIZE - 1)
    end = inside + KIND_SIZES.take(kinds)
    fits = end <= SECTOR_SIZE
    across = np.flatnonzero(~fits)
    if len(across):
        here = at[across] // SECTOR_SIZE
        there = np.minimum(here + 1, len(source) - 1)
        fits[across] = (
            (source[there] == source[here] + 1) & blocks.joined[source[here]] & (blocks.owner[source[there]] < 0)
        )
    if blocks.size < blocks.count * SECTOR_SIZE and source[-1] == blocks.count - 1:
        fits &= source[at // SECTOR_SIZE] * SECTOR_SIZE + end <= blocks.size
    return fits

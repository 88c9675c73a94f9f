"""Blocks that hold frames and have no header, found by looking at one block of thirty-two.

In a large image every byte is looked at only where sectors are known to be near. A log all of whose headers are gone
is near to nothing; but its frames are in every block of it, so the few that are looked at find it, and then what lies
around them. They begin at even places, as headers and frames have even lengths: words are compared, not bytes.
"""

import numpy as np

from ground.decode.frames.headers import MARK
from ground.decode.frames.wire import NO_KIND, SECTOR_SIZE, SYNC_WORD, kind_of_pair
from ground.decode.salvage.extents import merged

_EVERY = 32  # blocks, 16 KiB
_REACH = 2 * _EVERY * SECTOR_SIZE  # bytes to either side of a block in which more may be


class Samples:
    """Gathers them, window by window."""

    def __init__(self):
        self._places = []

    def note(self, data, origin):
        """Look at some blocks of `data`, which begins at `origin` of the file, on a block boundary."""
        first = -(origin // SECTOR_SIZE) % _EVERY
        whole = data[: len(data) // SECTOR_SIZE * SECTOR_SIZE].reshape(-1, SECTOR_SIZE)
        blocks = whole[first::_EVERY].ravel()
        words = blocks.view("<u2")
        at = np.flatnonzero(words[:-1] == SYNC_WORD)
        hits = np.unique(2 * at[kind_of_pair()[words[at + 1]] != NO_KIND] // SECTOR_SIZE)
        hits = hits[words[hits * (SECTOR_SIZE // 2)] | words[hits * (SECTOR_SIZE // 2) + 1].astype("u4") << 16 != MARK]
        if len(hits):
            self._places.append(origin + (first + hits * _EVERY) * SECTOR_SIZE)

    def stretches(self, size):
        """Byte intervals of a file of so many bytes that may hold more of the same; (first, last), rising."""
        places = np.concatenate([np.empty(0, np.int64), *self._places])
        first = np.maximum(places - _REACH, 0).tolist()
        last = np.minimum(places + SECTOR_SIZE + _REACH, size).tolist()
        return merged(zip(first, last, strict=True))

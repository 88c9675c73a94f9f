"""The CRC of many frames of one kind at once, by 16-bit position tables, with scratch memory that is used again.

Each word behind the prefix's first two, which the kind fixes, costs one look-up in a table of 256 KiB. The rows are
copied once and worked on while they are near the processor.
"""

from functools import lru_cache
from threading import local

import numpy as np

from ground.decode import crc_tables
from ground.decode.wire import KIND_SIZES, KIND_TYPES, SYNC_WORD, row_view
from shared_protocol.frame import CRC_SIZE, OVERHEAD

_BLOCK = 1 << 15  # frames looked at together
_SEQ = 2  # word of a frame
_own = local()


class FrameCheck:
    """Scratch memory of one thread; see `of_this_thread`."""

    def __init__(self):
        self._looked_up = np.empty(_BLOCK, dtype=np.uint32)

    def syndromes(self, data, starts, kind):
        """crc32(body, 0) ^ stored CRC of what looks like frames of one kind; for a valid one that is `expected(salt)`.

        Parameters
        ----------
        data : numpy.ndarray of uint8
        starts : numpy.ndarray of int64, shape (n,)
            Offsets at which sync, type and length of this kind stand, with room for a whole frame.
        kind : int

        Returns
        -------
        numpy.ndarray of uint32, shape (n,)
        """
        count = len(starts)
        syndromes = np.full(count, _constant(kind), dtype=np.uint32)
        size = int(KIND_SIZES[kind])
        view = row_view(data, size)
        for first in range(0, count, _BLOCK):
            block = slice(first, first + _BLOCK)
            self._add_words(view[starts[block]].view("<u2").reshape(-1, size // 2), syndromes[block])
        return syndromes

    def _add_words(self, rows, total):
        """XOR what the words of each row add to its CRC, and the CRC that it carries, into `total`."""
        looked_up = self._looked_up[: len(rows)]
        last = rows.shape[1] - CRC_SIZE // 2 - 1
        for k in range(_SEQ, last + 1):
            np.take(crc_tables.word_table(last - k), rows[:, k], out=looked_up, mode="wrap")  # "raise" would copy
            np.bitwise_xor(total, looked_up, out=total)
        total ^= _double_word(rows, last + 1)


def of_this_thread():
    """The calling thread's FrameCheck."""
    if not hasattr(_own, "check"):
        _own.check = FrameCheck()
    return _own.check


def _double_word(rows, word):
    high = rows[:, word + 1].astype(np.uint32)
    high <<= np.uint32(16)
    high |= rows[:, word]
    return high


@lru_cache(maxsize=len(KIND_TYPES))
def _constant(kind):
    """CRC of a frame of which all but sync, type and length is zero."""
    size = int(KIND_SIZES[kind]) - CRC_SIZE
    pair = (int(KIND_SIZES[kind]) - OVERHEAD) << 8 | KIND_TYPES[kind]
    last = size // 2 - 1
    head = crc_tables.word_table(last)[int(SYNC_WORD)] ^ crc_tables.word_table(last - 1)[pair]
    return np.uint32(crc_tables.crc_of_zeros(size)) ^ head


def expected(salts):
    """Syndromes of valid frames; uint32, shape (kinds, salts)."""
    return np.stack([crc_tables.advance(salts, int(size) - CRC_SIZE) for size in KIND_SIZES])

"""The CRC of many frames of one kind at once, by position tables, with scratch memory that is used again.

Each byte behind sync, type and length, which the kind fixes, costs one look-up in a table of 1 KiB. Of very many frames
each word costs one in a table of 256 KiB: half as many, but they have to bring the tables near the processor first. The
rows are copied once and worked on while they are near.
"""

from functools import lru_cache
from threading import local

import numpy as np

from ground.decode.frames import crc_tables
from ground.decode.frames.wire import KIND_COUNT, KIND_SIZES, KIND_TYPES, SYNC_WORD, row_view
from shared_protocol.frame import CRC_SIZE, OVERHEAD

_BLOCK = 1 << 15  # frames looked at together
_MANY = 1 << 14  # frames from which tables by words are faster
_SEQ = 2  # word of a frame
_own = local()


class FrameCheck:
    """Scratch memory of one thread."""

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
            rows = view[starts[block]].view("<u2").reshape(-1, size // 2)
            if count < _MANY:
                self._add_bytes(rows, syndromes[block])
            else:
                self._add_words(rows, syndromes[block])
            syndromes[block] ^= _double_word(rows, rows.shape[1] - CRC_SIZE // 2)
        return syndromes

    def _add_bytes(self, rows, total):
        """XOR what the bytes of each row add to its CRC into `total`."""
        columns = rows.view(np.uint8)
        looked_up = self._looked_up[: len(rows)]
        last = columns.shape[1] - CRC_SIZE - 1
        for k in range(2 * _SEQ, last + 1):
            np.take(crc_tables.byte_table(last - k), columns[:, k], out=looked_up, mode="wrap")
            np.bitwise_xor(total, looked_up, out=total)

    def _add_words(self, rows, total):
        """The same, word by word."""
        looked_up = self._looked_up[: len(rows)]
        last = rows.shape[1] - CRC_SIZE // 2 - 1
        for k in range(_SEQ, last + 1):
            np.take(crc_tables.word_table(last - k), rows[:, k], out=looked_up, mode="wrap")  # "raise" would copy
            np.bitwise_xor(total, looked_up, out=total)


def syndromes(data, starts, kinds):
    """Syndromes of what looks like frames of several kinds, as `FrameCheck.syndromes` does for one."""
    if not hasattr(_own, "check"):
        _own.check = FrameCheck()
    result = np.empty(len(kinds), dtype=np.uint32)
    for kind in np.flatnonzero(np.bincount(kinds, minlength=KIND_COUNT)).tolist():
        chosen = np.flatnonzero(kinds == kind)
        result[chosen] = _own.check.syndromes(data, starts.take(chosen), kind)
    return result


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

"""Sectors of which a single bit is wrong: their CRC tells which, so all frames but one need no look of their own.

A sector's CRC differs from the predicted one by what its wrong bits leave in the register (crc_tables.py); a single one
leaves one of 4096 values. Where the difference is one of them, and the frame in which that bit lies has this very bit
wrong by its own CRC too, the rest of the sector leaves what was predicted. That proves as much, by 32 bits, as a sector
whose CRC is right: other damage has such a value once in 2**20 cases, and then the frame finds it out.
"""

from functools import lru_cache

import numpy as np

from ground.decode.frames import frame_check
from ground.decode.frames.crc_tables import SECTOR_WORDS, advanced_by_words, word_table

_BITS = 16
_BIT_SHIFT = 4


def spoilt_frames(data, numbers, differences, candidates, owner, expected):
    """Which candidates are frames with one wrong bit, in blocks of which all else is as predicted; int64, rising.

    Parameters
    ----------
    data : numpy.ndarray of uint8, shape (512 n,)
    numbers : numpy.ndarray of int64, shape (m,)
        Rising numbers of the blocks that differ.
    differences : numpy.ndarray of uint32, shape (m,)
        Register of each, XOR the predicted one.
    candidates : tuple of (at, kinds, end)
        Word offset in the data, rising; kind; and the word of its block at which each would end.
    owner : numpy.ndarray of int32
        Key number of each block.
    expected : numpy.ndarray of uint32, shape (kinds, keys)
        Syndromes of valid frames.
    """
    at, kinds, end = candidates
    values, places = _known_values()
    nearest = np.minimum(np.searchsorted(values, differences), len(values) - 1)
    single = np.flatnonzero(values.take(nearest) == differences)
    blocks, place = numbers.take(single), places.take(nearest.take(single))
    word, bit = place >> _BIT_SHIFT, place & (_BITS - 1)
    frame = np.searchsorted(at, blocks * SECTOR_WORDS + word, side="right") - 1
    last = end.take(frame, mode="clip")
    inside = (frame >= 0) & (at.take(frame, mode="clip") >> 8 == blocks) & (word < last) & (last <= SECTOR_WORDS)
    inside = np.flatnonzero(inside)
    frame, bit, behind = frame.take(inside), bit.take(inside), (last - 1 - word).take(inside)
    own = kinds.take(frame)
    syndromes = frame_check.syndromes(data, at.take(frame) * 2, own) ^ _left_in_frame()[behind, bit]
    return frame.take(np.flatnonzero(syndromes == expected[own, owner.take(blocks.take(inside))]))


@lru_cache(maxsize=1)
def _left_by_bits():
    """What a wrong bit leaves in the register, by the number of words behind it and by bit; uint32, shape (256, 16)."""
    return advanced_by_words(word_table(0)[1 << np.arange(_BITS)])[:SECTOR_WORDS]


@lru_cache(maxsize=1)
def _left_in_frame():
    """The same for a frame and its syndrome: the last two words are the CRC that it carries."""
    carried = np.uint32(1) << np.arange(2 * _BITS, dtype=np.uint32).reshape(2, _BITS)
    return np.concatenate([carried[::-1], _left_by_bits()[:-2]])


@lru_cache(maxsize=1)
def _known_values():
    """All that one wrong bit of a sector can leave, rising, and its place in the sector: word * 16 + bit."""
    values = _left_by_bits()[::-1].ravel()
    order = np.argsort(values)
    return values[order], order

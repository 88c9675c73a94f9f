"""Bytes held against the registers that predict.py foretells, by one CRC call a group of sectors or a sector.

Groups of 8 KiB, because CRC-32 finds every change of up to 3 bits only in blocks of up to 11 KiB (Hamming distance 4
to 91 607 bits; from memory).
"""

from itertools import repeat

import numpy as np
from zlib_ng.zlib_ng import crc32

from ground.decode.frames import crc_tables
from ground.decode.frames.wire import SECTOR_SIZE

GROUP = 16  # blocks, 8 KiB
_AT_ONCE = 1024  # sectors whose bytes are copied together: they are still near the processor when their CRC is made
_PROBE = 128  # sectors tried before all of them are
_HARDLY_ONE = 16  # one in so many of them whole: three wrong bits a sector leave that, and of few sectors just one


def register_of(data):
    """F of some bytes: the CRC with the register begun at 0, which is a start value of all ones."""
    return crc32(data, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES


def groups_as_predicted(data, registers, usable):
    """Blocks of the groups that have the predicted CRC; bool, shape (blocks,)."""
    count = len(registers)
    missing = -count % GROUP  # zeros in front of a short last group change no register
    if missing:
        whole = count - count % GROUP
        registers = np.concatenate([registers[:whole], np.zeros(missing, np.uint32), registers[whole:]])
        usable = np.append(usable, np.ones(missing, dtype=bool))  # behind: same group, order does not matter here
    expected = crc_tables.joined(registers.reshape(-1, GROUP)) ^ np.uint32(crc_tables.ALL_ONES)
    view = memoryview(data)
    size = GROUP * SECTOR_SIZE
    found = [crc32(view[begin : begin + size], crc_tables.ALL_ONES) for begin in range(0, len(view), size)]
    good = np.array(found, dtype=np.uint32) == expected
    good &= usable.reshape(-1, GROUP).all(axis=1)
    return np.repeat(good, GROUP)[:count]


def sectors_as_predicted(data, registers, usable, good):
    """Note in `good` which of the others have the predicted CRC themselves; not if a sample says that few have.

    Gives back the numbers of those that have not, and what they differ by; only what was tried out.
    """

    def try_out(numbers):
        differences = _sector_registers(data, numbers)
        differences ^= registers[numbers]
        good[numbers] = differences == 0
        wrong = np.flatnonzero(differences)
        return numbers.take(wrong), differences.take(wrong)

    doubtful = np.flatnonzero(usable & ~good)
    if len(doubtful) > 4 * _PROBE:
        differing = try_out(doubtful[:: len(doubtful) // _PROBE])
        if len(differing[0]) > _PROBE - _PROBE // _HARDLY_ONE:
            return differing
    return try_out(doubtful)


def _sector_registers(data, numbers):
    """F of the sectors with these rising numbers; uint32."""
    sectors = data.view(f"V{SECTOR_SIZE}")
    most = len(numbers) > len(sectors) * 3 // 4  # then a copy of those alone would cost more than the others do
    own = sectors if most else sectors.take(numbers)
    found = np.empty(len(own), dtype=np.uint32)
    for first in range(0, len(own), _AT_ONCE):
        some = own[first : first + _AT_ONCE].tolist()
        values = map(crc32, some, repeat(crc_tables.ALL_ONES))
        found[first : first + _AT_ONCE] = np.fromiter(values, np.uint32, len(some))
    found ^= np.uint32(crc_tables.ALL_ONES)
    return found.take(numbers) if most else found

"""The headers that sectors begin with: where they stand, and what they say."""

import numpy as np

from ground.decode.frames.crc_tables import fixed_length_crc
from ground.decode.frames.threads import each
from ground.decode.frames.wire import SECTOR_SIZE, frame_dtypes, rows_at
from shared_protocol.frame import CRC_SIZE, HEADER_SIZE, PREFIX_SIZE, sector_mark
from shared_protocol.records import HEADER

_HEADS_AT_ONCE = 1 << 14
MARK = np.frombuffer(sector_mark(), dtype="<u4")[0]
# The first 32 bytes of a sector: the header frame up to its CRC, its (log id, boot) as one number.
_HEAD = np.dtype(
    {
        "names": ["mark", "pair", "format", "kind"],
        "formats": ["<u4", "<u8", "u1", "u1"],
        "offsets": [0, *(PREFIX_SIZE + at for at in (0, 12, 13))],
        "itemsize": 32,
    }
)


def header_rows(data, starts):
    """Header frames at the given offsets and which of them are intact."""
    rows = rows_at(data, starts, HEADER_SIZE)
    stored = np.ascontiguousarray(rows[:, -CRC_SIZE:]).view("<u4").ravel()
    intact = fixed_length_crc(rows[:, :-CRC_SIZE]) == stored
    return np.ascontiguousarray(rows).view(frame_dtypes()[HEADER]).ravel(), intact


def marked_blocks(data):
    """Numbers of the whole blocks that begin with the sector mark; `data` begins on a block boundary."""
    count = len(data) // SECTOR_SIZE
    first_words = (
        np.ndarray((count,), dtype="<u4", buffer=data, strides=(SECTOR_SIZE,)) if count else np.empty(0, "<u4")
    )
    return np.flatnonzero(first_words == MARK)


def heads_of(data):
    """What the first 32 bytes of each block say, if they are a header; a compact copy, one memory access each."""
    count = len(data) // SECTOR_SIZE
    heads, there = np.empty((count, 4), dtype="<u8"), np.ndarray((count, 4), "<u8", data, strides=(SECTOR_SIZE, 8))

    def copy(first):
        heads[first : first + _HEADS_AT_ONCE] = there[first : first + _HEADS_AT_ONCE]

    each(copy, range(0, count, _HEADS_AT_ONCE), len(data))
    return heads.view(_HEAD).ravel()

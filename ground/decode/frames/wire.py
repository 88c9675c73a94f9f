"""The closed table of frames as arrays, made from the shared declarations: what is legal, how long, which type."""

from functools import lru_cache

import numpy as np

from shared_protocol.frame import OVERHEAD, PAYLOAD_SIZES, SECTOR_SIZE, SYNC
from shared_protocol.records import RECORDS

SECTOR_WORDS = SECTOR_SIZE // 2
SECTOR_SHIFT = SECTOR_SIZE.bit_length() - 1
SYNC_WORD = np.uint16(SYNC)
NO_KIND = 255

# A "kind" is the place of a record type in the closed table: dense, so that small arrays can be indexed by it.
KIND_TYPES = [entry[0] for entry in RECORDS]
KIND_NAMES = [entry[1] for entry in RECORDS]
KIND_OF_NAME = {name: kind for kind, name in enumerate(KIND_NAMES)}
KIND_SIZES = np.array([PAYLOAD_SIZES[record_type] + OVERHEAD for record_type in KIND_TYPES], dtype=np.int64)
KIND_COUNT = len(KIND_TYPES)
HEADER_KIND = KIND_TYPES.index(0)
SIZE_MIN, SIZE_MAX = int(KIND_SIZES.min()), int(KIND_SIZES.max())

_NUMPY_CODES = {"B": "u1", "b": "i1", "H": "<u2", "h": "<i2", "I": "<u4", "i": "<i4"}


@lru_cache(maxsize=1)
def kind_of_pair():
    """Kind by the word (length << 8 | type), NO_KIND where the pair is not legal; uint8, shape (65536,)."""
    table = np.full(65536, NO_KIND, dtype=np.uint8)
    for kind, record_type in enumerate(KIND_TYPES):
        table[PAYLOAD_SIZES[record_type] << 8 | record_type] = kind
    return table


@lru_cache(maxsize=1)
def frame_dtypes():
    """numpy type of a whole frame by kind: sync, type, length, seq, t_ms, the record's own fields, crc."""
    dtypes = []
    for kind, (_type, _name, fields) in enumerate(RECORDS):
        parts = [("_sync", "<u2"), ("_type", "u1"), ("_length", "u1"), ("_seq", "<u2"), ("_t_ms", "<u4")]
        for field in fields:
            code = field[1]
            parts.append((field[0], "S" + code[:-1] if code.endswith("s") else _NUMPY_CODES[code]))
        parts.append(("_crc", "<u4"))
        dtype = np.dtype(parts)
        assert dtype.itemsize == KIND_SIZES[kind]
        dtypes.append(dtype)
    return dtypes


def row_view(data, size):
    """One overlapping view with a stride of one byte: item n is the `size` bytes from offset n, as a void scalar.

    Indexed by an array it copies whole rows, seven times faster than a gather field by field. Never `take` from it:
    that would first copy the view, `size` times the data.
    """
    return np.ndarray((max(len(data) - size + 1, 0),), dtype=f"V{size}", buffer=data, strides=(1,))


def rows_at(data, starts, size):
    """`size` bytes from each start; uint8, shape (n, size)."""
    if len(starts) == 0:
        return np.empty((0, size), dtype=np.uint8)
    return row_view(data, size)[starts].view(np.uint8).reshape(len(starts), size)

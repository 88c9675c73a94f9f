"""Our columns as Arrow arrays, buffer by buffer.

`pyarrow.array` would do the same in fewer lines, but it looks whether its input is a pandas object and imports pandas
for that: most of a second, for a flight that is decoded in a fifth of one.
"""

import numpy as np
import pyarrow as pa

from ground.decode.moments import iso_bytes
from ground.decode.table import Maybe, Moments, Words

_OFFSET_MAX = (1 << 31) - 1
_ISO_SIZE = 24


def to_arrow(table):
    """The table as a pyarrow.Table; `about` becomes each field's metadata."""
    fields, arrays = [], []
    for name, column in table.columns.items():
        array = _array(column)
        arrays.append(array)
        fields.append(pa.field(name, array.type, metadata=table.about.get(name) or None))
    schema = pa.schema(fields, metadata={"thistledown_table": table.name})
    return pa.Table.from_arrays(arrays, schema=schema)


def _array(column):
    if isinstance(column, Words):
        return _words(column)
    if isinstance(column, Moments):
        text = iso_bytes(np.where(column.known, column.ms, 0))
        return _strings(np.arange(len(column) + 1, dtype=np.int64) * _ISO_SIZE, text, column.known)
    if isinstance(column, Maybe):
        return _fixed(column.values.astype(np.int64), pa.int64(), column.known)
    if column.dtype.kind == "f":
        return _fixed(column.astype(np.float64, copy=False), pa.float64(), ~np.isnan(column))
    if column.dtype.kind == "b":
        packed = pa.py_buffer(np.packbits(column, bitorder="little").tobytes())
        return pa.Array.from_buffers(pa.bool_(), len(column), [None, packed])
    return _fixed(column.astype(np.int64, copy=False), pa.int64(), None)


def _validity(known):
    if known is None or known.all():
        return None
    return pa.py_buffer(np.packbits(known, bitorder="little").tobytes())


def _fixed(values, kind, known):
    return pa.Array.from_buffers(kind, len(values), [_validity(known), pa.py_buffer(np.ascontiguousarray(values))])


def _words(column):
    """Texts written out one after the other, copied from the vocabulary by one index array."""
    vocabulary = [text.encode() for text in column.vocabulary] + [b""]  # code -1 picks the empty text at the end
    sizes = np.array([len(text) for text in vocabulary], dtype=np.int64)
    seen = np.flatnonzero(np.bincount(column.codes + 1)) - 1  # -1 is the last one, as for any list
    if len(set(sizes[seen].tolist())) == 1:  # as most columns of flags and names: nothing to look up text by text
        return _equal_words(column.codes, vocabulary, int(sizes[seen[0]]))
    begins = np.cumsum(sizes) - sizes
    lengths = sizes[column.codes]
    offsets = np.concatenate([[0], np.cumsum(lengths)])
    places = np.repeat(begins[column.codes] - offsets[:-1], lengths) + np.arange(offsets[-1])
    data = np.frombuffer(b"".join(vocabulary), dtype=np.uint8)[places]
    return _strings(offsets, data, column.codes >= 0)


def _equal_words(codes, vocabulary, size):
    """The same where all texts that occur have one length in bytes."""
    texts = np.frombuffer(b"".join(text[:size].ljust(size) for text in vocabulary), dtype=np.uint8)
    data = texts.reshape(len(vocabulary), size)[codes]
    return _strings(np.arange(len(codes) + 1, dtype=np.int64) * size, data, codes >= 0)


def _strings(offsets, data, known):
    count = len(offsets) - 1
    if offsets[-1] <= _OFFSET_MAX:
        kind, offsets = pa.StringArray, offsets.astype(np.int32)
    else:
        kind, offsets = pa.LargeStringArray, offsets.astype(np.int64)
    return kind.from_buffers(count, pa.py_buffer(offsets), pa.py_buffer(data), _validity(known))

"""Tables into files: Parquet or CSV, all or nothing.

Everything is written into a folder beside the goal first and moved when it is complete, so that neither a full disk nor
a Ctrl-C leaves half a flight behind.
"""

import json
import os
import secrets
import shutil

import numpy as np

from ground.decode.moments import iso_bytes
from ground.decode.table import Maybe, Moments, Words
from ground.errors import InputError

FORMATS = ("parquet", "csv")
OURS = ("tables", "flight.parquet", "flight.csv", "integrity.json", "results.json")


def check_goal(out_dir, source, force):
    """Refuse a goal that would overwrite something.

    A folder that holds nothing but the card image being decoded (and what came with it) may take the tables.

    Raises
    ------
    InputError
    """
    if out_dir.is_symlink() and not out_dir.exists():
        raise InputError(f"{out_dir}: is a link to nowhere; choose another output folder")
    if not out_dir.exists() or force and out_dir.is_dir():
        return
    if not out_dir.is_dir():
        raise InputError(f"{out_dir}: is a file; choose another output folder with --out")
    beside_its_image = source.is_file() and source.resolve().parent == out_dir.resolve()
    present = [name for name in OURS if (out_dir / name).exists()]
    if present:
        raise InputError(f"{out_dir}: already holds a decoded flight ({present[0]}); "
                         "choose another folder with --out, or overwrite it with --force")
    if not beside_its_image:
        raise InputError(f"{out_dir}: this folder exists; choose a new one with --out, or write into it with --force")


def write_folder(out_dir, tables, flight, documents, file_format):
    """Write tables, flight table and JSON documents; an error leaves `out_dir` as it was."""
    parent = out_dir if out_dir.is_dir() else out_dir.parent
    stage = parent / f".decoding-{secrets.token_hex(4)}"
    try:
        stage.mkdir(parents=True)
        (stage / "tables").mkdir()
        for table in tables:
            _write(table, stage / "tables" / f"{table.name}.{file_format}", file_format)
        _write(flight, stage / f"flight.{file_format}", file_format)
        for name, document in documents.items():
            (stage / name).write_text(json.dumps(document, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        _move(stage, out_dir)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"{out_dir}: cannot be written ({reason}); choose another folder with --out") from None
    finally:
        shutil.rmtree(stage, ignore_errors=True)


def _move(stage, out_dir):
    if not out_dir.exists():
        os.rename(stage, out_dir)
        return
    old = stage / "old"
    old.mkdir()
    for name in OURS:
        if (out_dir / name).exists():
            os.rename(out_dir / name, old / name)
    for name in OURS:
        if (stage / name).exists():
            os.rename(stage / name, out_dir / name)


def _write(table, path, file_format):
    arrow = to_arrow(table)
    if file_format == "csv":
        from pyarrow import csv

        csv.write_csv(arrow, path, csv.WriteOptions(quoting_style="needed"))
        return
    import pyarrow.parquet as pq

    texts = [name for name, column in table.columns.items() if isinstance(column, Words)]
    pq.write_table(arrow, path, use_dictionary=texts, write_statistics=texts or False)


def to_arrow(table):
    """The table as a pyarrow.Table; `about` becomes each field's metadata."""
    import pyarrow as pa

    fields, arrays = [], []
    for name, column in table.columns.items():
        array = _array(column)
        arrays.append(array)
        fields.append(pa.field(name, array.type, metadata=table.about.get(name) or None))
    schema = pa.schema(fields, metadata={"thistledown_table": table.name})
    return pa.Table.from_arrays(arrays, schema=schema)


def _array(column):
    import pyarrow as pa

    if isinstance(column, Words):
        vocabulary = pa.array(column.vocabulary, type=pa.string())
        return vocabulary.take(pa.array(column.codes, mask=column.codes < 0))
    if isinstance(column, Moments):
        return _iso_array(column)
    if isinstance(column, Maybe):
        return pa.array(column.values, mask=~column.known)
    if column.dtype.kind == "f":
        return pa.array(column, mask=np.isnan(column))
    return pa.array(column)


def _iso_array(column):
    import pyarrow as pa

    count, size = len(column), 24
    text = iso_bytes(np.where(column.known, column.ms, 0))
    offsets = np.arange(count + 1, dtype=np.int64) * size
    known = None if column.known.all() else pa.py_buffer(np.packbits(column.known, bitorder="little").tobytes())
    if offsets[-1] < 1 << 31:
        return pa.StringArray.from_buffers(count, pa.py_buffer(offsets.astype(np.int32)), pa.py_buffer(text), known)
    return pa.LargeStringArray.from_buffers(count, pa.py_buffer(offsets), pa.py_buffer(text), known)

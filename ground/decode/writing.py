"""Tables into files: Parquet or CSV, all or nothing.

Everything is written into a folder beside the goal first and moved when it is complete, so that neither a full disk nor
a Ctrl-C leaves half a flight behind.
"""

import json
import os
import secrets
import shutil

from ground.decode.table import Table, Words
from ground.errors import InputError

FORMATS = ("parquet", "csv")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # common practice, no source
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
    if not out_dir.exists() or (force and out_dir.is_dir()):
        return
    if not out_dir.is_dir():
        raise InputError(f"{out_dir}: is a file; choose another output folder with --out")
    beside_its_image = source.is_file() and source.resolve().parent == out_dir.resolve()
    present = [name for name in OURS if (out_dir / name).exists()]
    if present:
        raise InputError(
            f"{out_dir}: already holds a decoded flight ({present[0]}); "
            "choose another folder with --out, or overwrite it with --force"
        )
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


def _no_formula(column):
    """Texts of which a spreadsheet would make a formula, with an apostrophe in front, which makes it show them as text.

    A name or a note comes from the log and may say anything; numbers are columns of their own and stay as they are.
    """
    if not isinstance(column, Words):
        return column
    return Words(column.codes, ["'" + text if text[:1] in _FORMULA else text for text in column.vocabulary])


def _write(table, path, file_format):
    from ground.decode.arrow import to_arrow

    if file_format == "csv":
        from pyarrow import csv

        arrow = to_arrow(Table(table.name, {name: _no_formula(column) for name, column in table.columns.items()}))
        csv.write_csv(arrow, path, csv.WriteOptions(quoting_style="needed"))
        return
    import pyarrow.parquet as pq

    arrow = to_arrow(table)
    texts = [name for name, column in table.columns.items() if isinstance(column, Words)]
    pq.write_table(arrow, path, use_dictionary=texts, write_statistics=texts or False)

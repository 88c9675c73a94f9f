"""Tables into files: Parquet or CSV, all or nothing.

Everything is written into a folder beside the goal first and moved when it is complete, so that neither a full disk nor
a Ctrl-C leaves half a flight behind.
"""

import errno
import json
import os
import shutil
from contextlib import contextmanager, suppress

from ground.decode.table import Table, Words
from ground.errors import InputError

_WORKERS = 2
FORMATS = ("parquet", "csv")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")  # common practice, no source
OURS = ("tables", "flight.parquet", "flight.csv", "integrity.json", "results.json")


def check_goal(out_dir, sources, force):
    """Refuse a goal that would overwrite something.

    A folder that holds nothing but the card image being decoded (and what came with it) may take the tables.

    Raises
    ------
    InputError
    """
    try:
        out_dir.stat()
    except FileNotFoundError:
        pass
    except OSError as error:
        reason = f"cannot be looked at ({_reason(error)})"
        raise InputError(f"{out_dir}: {reason}; choose another folder with --out") from None
    if out_dir.is_symlink() and not out_dir.exists():
        raise InputError(f"{out_dir}: is a link to nowhere; choose another output folder")
    if not out_dir.exists() or (force and out_dir.is_dir()):
        return
    if not out_dir.is_dir():
        raise InputError(f"{out_dir}: is a file; choose another output folder with --out")
    beside_its_image = any(path.is_file() and path.resolve().parent == out_dir.resolve() for path in sources)
    present = [name for name in OURS if (out_dir / name).exists()]
    if present:
        raise InputError(
            f"{out_dir}: already holds a decoded flight ({present[0]}); "
            "choose another folder with --out, or overwrite it with --force"
        )
    if not beside_its_image:
        raise InputError(f"{out_dir}: this folder exists; choose a new one with --out, or write into it with --force")


class FolderWriter:
    """Writes a flight folder while the rest of it is still being computed; an error leaves `out_dir` as it was.

    Nothing is made before the first table is handed over. Compressing needs the interpreter for moments only, so that
    a second core does most of the writing beside the computation.

    Usage: `with FolderWriter(out_dir, "parquet") as writer`, `writer.add(tables)`, and `writer.finish(documents)` last;
    what has not been finished at the end of the `with` is thrown away.
    """

    def __init__(self, out_dir, file_format):
        self._out_dir, self._format = out_dir, file_format
        parent = out_dir if out_dir.is_dir() else out_dir.parent
        self._stage = parent / f".decoding-{os.urandom(4).hex()}"
        self._pool, self._jobs = None, []
        self._made = []  # folders above the goal that were not there

    def __enter__(self):
        return self

    def __exit__(self, *_error):
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)  # a table that is being written holds a file in the stage
            shutil.rmtree(self._stage, ignore_errors=True)
            for folder in self._made:
                with suppress(OSError):  # not empty: the flight is in it
                    folder.rmdir()

    def add(self, tables):
        """Begin to write tables, which must not change any more.

        Raises
        ------
        InputError
            If the place cannot be written.
        """
        with self._told():
            if self._pool is None:
                self._begin()
        for table in sorted(tables, key=len, reverse=True):  # the long ones first: none is left alone at the end
            folder = self._stage if table.name == "flight" else self._stage / "tables"
            self._jobs.append(self._pool.submit(_write, table, folder / f"{table.name}.{self._format}", self._format))

    def finish(self, documents):
        """Wait for the tables, write the JSON documents, and put all of it in its place.

        Raises
        ------
        InputError
            If something could not be written; `out_dir` is as it was.
        """
        with self._told():
            for name, document in documents.items():
                text = json.dumps(document, indent=1, allow_nan=False) + "\n"
                (self._stage / name).write_text(text, encoding="utf-8")
            for job in self._jobs:
                job.result()
            _move(self._stage, self._out_dir)

    def _begin(self):
        from concurrent.futures import ThreadPoolExecutor

        self._pool = ThreadPoolExecutor(_WORKERS)
        self._made = [folder for folder in self._stage.parents if not folder.exists()]
        self._stage.mkdir(parents=True)
        (self._stage / "tables").mkdir()

    @contextmanager
    def _told(self):
        try:
            yield
        except OSError as error:
            full = error.errno in (errno.ENOSPC, errno.EDQUOT)
            raise InputError(
                f"{self._out_dir}: cannot be written ({_reason(error)}); "
                f"{'make room, or ' if full else ''}choose another folder with --out"
            ) from None


def _reason(error):
    """The system's own words, also where a library wraps them in its own."""
    return os.strerror(error.errno) if error.errno else str(error)


def _move(stage, out_dir):
    if not out_dir.exists():
        os.rename(stage, out_dir)
        return
    old = stage / "old"
    old.mkdir()
    moved = []
    try:
        for source, goal in ((out_dir, old), (stage, out_dir)):
            for name in OURS:
                if (source / name).exists():
                    moved.append((source / name, goal / name))
                    os.rename(*moved[-1])
    except BaseException:  # the stop key too: half a flight of each would be worse than the old one
        for source, goal in reversed(moved):
            if goal.exists() and not source.exists():
                os.rename(goal, source)
        raise


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

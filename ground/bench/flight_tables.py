"""Tables of a flight folder, or of a card by way of one that is thrown away, as the checks look at them."""

import json
import tempfile
from pathlib import Path

import numpy as np

from ground.decode.table import Table, words
from ground.errors import InputError


def tables_of(source, progress=None):
    """Tables by name and the account of integrity.json.

    Parameters
    ----------
    source : path
        A flight folder, or whatever decode takes.
    progress : callable, optional
        As for decode.

    Returns
    -------
    (dict of str to Table, dict)

    Raises
    ------
    InputError
        If there is no log in it.
    """
    source = Path(source)
    if (source / "tables").is_dir() and (source / "integrity.json").is_file():
        return _read(source)
    from ground.decode import decode

    with tempfile.TemporaryDirectory(prefix="thistledown-") as scratch:
        folder = decode(source, Path(scratch) / "flight", progress=progress).folder
        return _read(folder)


def _read(folder):
    import pyarrow.parquet as pq

    paths = sorted((folder / "tables").glob("*.parquet"))
    if not paths:
        raise InputError(
            f"{folder}: its tables are not Parquet; give the card itself, or decode it without --format csv"
        )
    try:
        tables = {path.stem: _table(path.stem, pq.read_table(path)) for path in paths}
        account = json.loads((folder / "integrity.json").read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{folder}: cannot be read ({' '.join(str(error).split())}); decode the card again") from None
    return tables, account


def _table(name, arrow):
    import pyarrow as pa

    columns = {}
    for column in arrow.column_names:
        values = arrow[column].to_pylist()
        kind = arrow[column].type
        if pa.types.is_string(kind) or pa.types.is_dictionary(kind):
            columns[column] = words(values)
        else:
            columns[column] = np.array([np.nan if value is None else value for value in values], dtype=float)
    return Table(name, columns)

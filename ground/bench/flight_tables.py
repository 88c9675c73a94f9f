"""Tables of a flight folder, or of a card by way of one that is thrown away, as the checks look at them."""

import json
import tempfile
from pathlib import Path

import numpy as np

from ground.decode.table import Table, words
from ground.errors import InputError

_FRAMES_MIN = 2000  # some two minutes at the default rates, twenty at a tenth of them
_OTHERS_MAX = 4


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
    return _read(source) if _is_flight_folder(source) else _decoded(source, progress)


def other_logs(source, account):
    """Tables of the logs on a card that `tables_of` left out; yields (name, dict of str to Table).

    The largest few, which are what somebody might miss, and not those of a minute on the table. A flight folder
    has none. The card is read once more, whatever their number.
    """
    left_out = [log for log in account.get("logs", ()) if not log["in_tables"] and log["frames"] >= _FRAMES_MIN]
    if not left_out or _is_flight_folder(Path(source)):
        return
    from ground.decode.convert import convert
    from ground.decode.frames.records import read
    from ground.decode.together import open_sources

    opened, _, _ = open_sources([Path(source)])
    whole = None if opened.by_log else read(opened.buffers, opened.pairs)
    for log in sorted(left_out, key=lambda log: -log["frames"])[:_OTHERS_MAX]:
        records = whole or read(opened.by_log[log["log_id"]](), opened.pairs)
        decoded = convert(records, opened.files, str(log["log_id"]))
        yield log["file"] or f"log {log['log_id']}", {table.name: table for table in decoded.tables}


def _is_flight_folder(source):
    return (source / "tables").is_dir() and (source / "integrity.json").is_file()


def _decoded(source, progress):
    from ground.decode import decode

    with tempfile.TemporaryDirectory(prefix="thistledown-") as scratch:
        return _read(decode(source, Path(scratch) / "flight", progress=progress).folder)


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

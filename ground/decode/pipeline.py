"""`decode`: from what the user pointed at to a flight folder."""

from dataclasses import dataclass, field
from pathlib import Path

from ground.decode import integrity, writing
from ground.decode.convert import convert
from ground.decode.records import read
from ground.decode.sources import open_source
from ground.errors import InputError


@dataclass
class DecodeResult:
    """What `decode` made.

    Attributes
    ----------
    folder : Path
        The flight folder.
    integrity, results : dict
        As in `integrity.json` and `results.json`.
    rows : dict of str to int
        Rows of each table; `flight` among them.
    """

    folder: Path
    integrity: dict
    results: dict
    rows: dict = field(default_factory=dict)


def decode(source, out_dir, *, format="parquet", force=False, progress=None, log=None):
    """Decode a card's folder, a log file or a card image into a flight folder.

    Parameters
    ----------
    source : path
        What it is, is found out by looking.
    out_dir : path
        The folder to make. May be the one in which the image lies, as long as it holds no tables.
    format : "parquet" or "csv"
        Of the tables.
    force : bool
        Overwrite tables of an earlier decoding.
    progress : callable, optional
        Called with (share done from 0 to 1, what is being done).
    log : str or int, optional
        Which log to take, by file name or log id, when the source holds several; default: the newest flight's.

    Returns
    -------
    DecodeResult

    Raises
    ------
    InputError
        If the source holds no log or the goal may not be written; nothing has been written then.
    """
    source, out_dir = Path(source), Path(out_dir)
    if format not in writing.FORMATS:
        raise InputError(f"format {format!r}: not known; use parquet or csv")
    say = progress or (lambda share, what: None)
    say(0.0, "looking for sectors")
    opened = open_source(source, lambda share: say(0.5 * share, "looking for sectors"))
    writing.check_goal(out_dir, source, force)
    say(0.5, "reading frames")
    everything = read(opened.buffers)
    if not everything.boots:
        raise InputError(
            f"{source}: has sectors of a log but no intact record in them; "
            "make an image of the whole card and decode that"
        )
    say(0.7, "converting")
    decoded = convert(everything, opened.files, log)
    account = integrity.account(opened, everything, decoded)
    say(0.85, "writing tables")
    writing.write_folder(
        out_dir, decoded.tables, decoded.flight, {"integrity.json": account, "results.json": decoded.results}, format
    )
    say(1.0, "done")
    rows = {table.name: len(table) for table in (*decoded.tables, decoded.flight)}
    return DecodeResult(out_dir, account, decoded.results, rows)

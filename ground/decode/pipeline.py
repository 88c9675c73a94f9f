"""`decode`: from what the user pointed at to a flight folder."""

import shutil
from dataclasses import dataclass, field
from pathlib import Path

from ground.bench import calibrated_tables
from ground.decode import writing
from ground.decode.account import integrity
from ground.decode.choice import choose
from ground.decode.convert import convert, summaries
from ground.decode.frames.records import read
from ground.decode.together import open_sources, part_numbers
from ground.errors import InputError
from ground.simulated import note_of_source


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
    """Decode a card's folder, a log file, a card image, a flash dump or a capture into a flight folder.

    Parameters
    ----------
    source : path, or list of paths
        What each is, is found out by looking. Several, in any order, are copies of one flight: a card and the second
        copy from the board's flash, say. A frame that both have counts once.
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
    paths = [Path(one) for one in (source if isinstance(source, (list, tuple)) else [source])]
    out_dir = Path(out_dir)
    if format not in writing.FORMATS:
        raise InputError(f"format {format!r}: not known; use parquet or csv")
    say = progress or (lambda share, what: None)
    say(0.0, "looking for sectors")
    opened, parts, empty = open_sources(paths, _bytes_shown(say, len(paths)))
    writing.check_goal(out_dir, paths, force)
    say(0.5, "reading frames")
    others = []
    if opened.by_log:
        opened.buffers, others = _chosen_of_many(opened, log, say)
    everything = read(opened.buffers, opened.pairs)
    if not everything.boots:
        have = "has" if len(paths) == 1 else "have"
        raise InputError(
            f"{' and '.join(map(str, paths))}: {have} sectors of a log but no intact record in them; "
            "make an image of the whole card and decode that"
        )
    say(0.7, "converting")
    bench = next(filter(None, (calibrated_tables.find_record(path, out_dir) for path in paths)), None)
    calibrations = calibrated_tables.load_calibrations(bench) if bench else []
    numbers = part_numbers(opened.buffers)
    with writing.FolderWriter(out_dir, format) as writer:
        decoded = convert(everything, opened.files, log, others, calibrations, numbers, writer.add)
        decoded.notes[:0] = empty
        account = integrity.account(opened, everything, decoded, parts, numbers)
        if simulated := note_of_source(paths):
            account["simulated"] = simulated
        say(0.85, "writing tables")
        writer.finish({"integrity.json": account, "results.json": decoded.results})
    if bench and not (out_dir / bench.name).exists():
        shutil.copyfile(bench, out_dir / bench.name)
    say(1.0, "done")
    rows = {table.name: len(table) for table in (*decoded.tables, decoded.flight)}
    return DecodeResult(out_dir, account, decoded.results, rows)


def _bytes_shown(say, sources):
    """Progress of the search: two passes over the bytes of each source, together half of the whole."""

    def shown(source, what, done, total):
        begin = (source + (0.0 if what == "looking for sectors" else 0.5)) / sources
        say(0.5 * begin + 0.25 / sources * done / max(total, 1), f"{what}, {done:,} of {total:,} bytes")

    return shown


def _chosen_of_many(opened, wanted, say):
    """Buffers of the flight's logs and summaries of the others, on a card with more logs than memory should hold."""
    logs = []
    for n, (log_id, gathered) in enumerate(opened.by_log.items(), 1):
        found = summaries(read(gathered()), opened.files)
        logs += [log for log in found if log.log_id == log_id]
        say(0.5 + 0.2 * n / len(opened.by_log), f"reading frames of log {n} of {len(opened.by_log)}")
    if not logs:
        return [], []
    choose(logs, wanted)
    buffers = [part for log in logs if log.chosen for part in opened.by_log[log.log_id]()]
    others = [log for log in logs if not log.chosen]
    return buffers, others

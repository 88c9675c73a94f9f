"""`decode`: from what the user pointed at to a flight folder."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ground.decode import fixes, flags, flight, happenings, integrity, sensors, timeline, writing
from ground.decode.choice import LogSummary, choose
from ground.decode.outcome import results_of
from ground.decode.records import read
from ground.decode.sources import open_source
from ground.decode.table import Moments, Table
from ground.decode.wire import KIND_OF_NAME
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
        raise InputError(f"{source}: has sectors of a log but no intact record in them; "
                         "make an image of the whole card and decode that")
    say(0.7, "converting")
    decoded = convert(everything, opened.files, log)
    account = integrity.account(opened, everything, decoded)
    say(0.85, "writing tables")
    writing.write_folder(out_dir, decoded.tables, decoded.flight,
                         {"integrity.json": account, "results.json": decoded.results}, format)
    say(1.0, "done")
    rows = {table.name: len(table) for table in (*decoded.tables, decoded.flight)}
    return DecodeResult(out_dir, account, decoded.results, rows)


@dataclass
class Decoded:
    """A flight in memory: tables, flight table, results, and how its time and its logs were settled."""

    tables: list
    flight: Table
    results: dict
    lines: dict  # key number -> timeline.Line or None
    boots: list  # of BootFrames of the flight, in order of time
    logs: list  # of LogSummary
    notes: list
    uncalibrated: int


def convert(everything, files=(), wanted=None):
    """Records into physics; touches no file.

    Parameters
    ----------
    everything : Records
        All logs of the source.
    files : list of dict
        Names of logs by the file system: name, log_id.
    wanted : str or int, optional
        Which log.
    """
    fix_table, fix_bits, fix_keys, fix_t, fix_seq = fixes.fixes(everything)
    fitted = _fit_boots(everything, fix_table, fix_bits, fix_keys, fix_t)
    logs = _summaries(everything, fitted, files)
    notes = choose(logs, wanted)
    chosen = {log.log_id for log in logs if log.chosen}
    boots = _in_time_order([boot for boot in everything.boots if boot.log_id in chosen], fitted)
    causes = _causes(everything)
    joined, more = timeline.join(boots, [fitted.get(boot.key) for boot in boots], [causes.get(b.key) for b in boots])
    notes += more
    lines = {boot.key: line for boot, line in zip(boots, joined, strict=True)}
    stamp = _Stamper(everything, boots, lines)

    fix_order = stamp.order(fix_keys, fix_t, fix_seq)
    fix_table, fix_bits = stamp.table(fix_table, fix_keys, fix_t, fix_order), fix_bits[fix_order]
    tables, bits = [fix_table], {"fix": fix_bits}
    for make in (sensors.pressure, sensors.temperature, sensors.power):
        table, own = make(everything)
        order = stamp.kind_order(table.name)
        tables.append(stamp.kind_table(table, order))
        bits[table.name] = own[order]
    for make in (sensors.health, happenings.event, happenings.boot, happenings.probe, happenings.channel,
                 happenings.pressure_cal):
        table = make(everything)
        tables.append(stamp.kind_table(table, stamp.kind_order(table.name)))
    tables.append(stamp.notes())
    by_name = {table.name: table for table in tables}
    bits["health"] = np.zeros(len(by_name["health"]), dtype=np.int64)
    timed = {name: flight.timed(by_name[name], bits[name]) for name in bits}
    spans = [(int(lines[b.key].at(b.first_ms)), int(lines[b.key].at(b.last_ms))) for b in boots if lines[b.key]]
    flight_table, phases, profile = flight.build(spans, timed["fix"], timed["pressure"], timed["temperature"],
                                                 timed["power"], timed["health"])
    uncalibrated = sum(int(((own & flags.NO_CALIBRATION) != 0).sum()) for own in bits.values())
    results = results_of(phases, profile, flight_table)
    return Decoded(tables, flight_table, results, lines, boots, logs, notes, uncalibrated)


def _fit_boots(records, fix_table, bits, keys, t_ms):
    """Each boot's own UTC line, by key number. Fixes with an assumed date count only where there are no others."""
    moments = fix_table["gnss_utc"]
    assumed = (bits & flags.records.FLAG_ASSUMED_DATE) != 0
    lines = {}
    for boot in records.boots:
        own = (keys == boot.key) & moments.known
        if (own & ~assumed).any():
            own &= ~assumed
        lines[boot.key] = timeline.fit(t_ms[own], moments.ms[own])
    return lines


def _summaries(records, fitted, files):
    names = {}
    for entry in files:
        if entry["log_id"] is not None:
            names[entry["log_id"]] = entry["name"]
    logs = {}
    for boot in records.boots:
        log = logs.setdefault(boot.log_id, LogSummary(boot.log_id, names.get(boot.log_id), [], 0))
        log.boots.append(boot.boot)
        log.frames += boot.frames
        line = fitted.get(boot.key)
        if line is not None:
            first, last = int(line.at(boot.first_ms)), int(line.at(boot.last_ms))
            log.first_ms = first if log.first_ms is None else min(log.first_ms, first)
            log.last_ms = last if log.last_ms is None else max(log.last_ms, last)
    return list(logs.values())


def _in_time_order(boots, fitted):
    """Boots of the flight in the order in which they happened: logs by their time, within a log by the counter."""
    begins = {}
    for boot in boots:
        line = fitted.get(boot.key)
        if line is not None:
            begins.setdefault(boot.log_id, float(line.at(boot.first_ms)))
    return sorted(boots, key=lambda boot: (begins.get(boot.log_id, 0.0), boot.log_id, boot.boot))


def _causes(records):
    kind = KIND_OF_NAME["boot"]
    return dict(zip(records.row_keys[kind].tolist(), records.rows[kind]["cause"].tolist(), strict=True))


class _Stamper:
    """Gives each table `boot`, `t_ms` and `utc`, and the flight's rows only, boot by boot in order of time."""

    def __init__(self, records, boots, lines):
        self._records = records
        self._rank = np.full(len(records.keys.pairs), -1, dtype=np.int64)
        for rank, boot in enumerate(boots):
            self._rank[boot.key] = rank
        self._number = np.array([boot for _log, boot in records.keys.pairs], dtype=np.int64)
        self._lines = lines

    def order(self, keys, t_ms, seq):
        """Rows of the flight by boot, time and sequence; index array."""
        mine = np.flatnonzero(self._rank[keys] >= 0)
        return mine[np.lexsort((seq[mine], t_ms[mine], self._rank[keys[mine]]))]

    def kind_order(self, name):
        """The same for a record type whose rows are in the order of the log already."""
        keys = self._records.row_keys[KIND_OF_NAME[name]]
        rank = self._rank[keys]
        mine = np.flatnonzero(rank >= 0)
        return mine[np.argsort(rank[mine], kind="stable")]

    def kind_table(self, table, order):
        """A table of one record type, stamped."""
        kind = KIND_OF_NAME[table.name]
        return self.table(table, self._records.row_keys[kind], self._records.rows[kind]["_t_ms"].astype(np.int64), order)

    def notes(self):
        """Notes, which are fewer than their records."""
        table, firsts = happenings.note(self._records)
        kind = KIND_OF_NAME["note"]
        keys = self._records.row_keys[kind][firsts]
        t_ms = self._records.rows[kind]["_t_ms"].astype(np.int64)[firsts]
        rank = self._rank[keys]
        mine = np.flatnonzero(rank >= 0)
        return self.table(table, keys, t_ms, mine[np.argsort(rank[mine], kind="stable")])

    def table(self, table, keys, t_ms, order):
        """`table` in the given order with the three common columns in front."""
        keys, t_ms = keys[order], t_ms[order]
        ms, known = np.zeros(len(order), dtype=np.int64), np.zeros(len(order), dtype=bool)
        for key in np.unique(keys).tolist():
            line = self._lines.get(key)
            if line is not None:
                own = keys == key
                ms[own], known[own] = line.at(t_ms[own]), True
        common = {"boot": self._number[keys], "t_ms": t_ms, "utc": Moments(ms, known)}
        about = {"boot": {"meaning": "power-up number of the board"},
                 "t_ms": {"unit": "ms", "meaning": "since that boot"},
                 "utc": {"unit": "UTC", "meaning": "ISO 8601, from the boot's line fitted to GPS time; null if unknown"}}
        return Table(table.name, common | table.take(order).columns, about | table.about)

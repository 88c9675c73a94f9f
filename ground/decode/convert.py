"""Records of a source into one flight: which logs it is made of, its UTC line, its tables, phases and results."""

from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ground.bench import calibrated_tables
from ground.decode import clock_wrap
from ground.decode.account.lost_sectors import sectors_of
from ground.decode.by_value import rows_by_value
from ground.decode.choice import LogSummary, choose
from ground.decode.copies import KEYS_MAX, Copies, logs_on_card, second_copy_blocks
from ground.decode.course import flight, gnss_clock, timeline
from ground.decode.course.boot_order import in_order
from ground.decode.course.outcome import results_of
from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.linked import follow_links, links
from ground.decode.readings import (
    barometers,
    fix_doubts,
    fixes,
    flags,
    freeze_doubts,
    happenings,
    power_meters,
    sensors,
    thermometers,
)
from ground.decode.readings.stamping import Stamper
from ground.decode.table import Table

_ONLY_IF_THERE = ("humidity", "bmp280_cal", "humidity_cal", "i2c_probe")  # tables of chips that few boxes have


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
    times_refused: dict  # key number -> {kind: fixes}, see gnss_clock.py
    calibrated: list  # of dict: the bench's calibrations that were used, as integrity.json has them
    origin: Copies | None  # where the frames were found; None: all on one card, in one source
    wraps: dict = field(default_factory=dict)  # by key number, see clock_wrap.find


def convert(everything, files=(), wanted=None, others=(), calibrations=(), parts=None, finished=None):
    """Records into physics; touches no file.

    Parameters
    ----------
    everything : Records
        All logs of the source.
    files : list of dict
        Names of logs by the file system: name, log_id.
    wanted : str or int, optional
        Which log.
    others : iterable of LogSummary
        Logs of the source that are not among `everything`: see `summaries`.
    calibrations : list of Calibration
        Of a bench record, for the sensors that it names.
    parts : list of int, optional
        Number of the source of each piece of `everything`, if there are several.
    finished : callable, optional
        Given a list of tables as soon as they are as they will be, the flight table last.
    """
    wraps = clock_wrap.find(everything)
    fix_table, fix_bits, fix_keys, fix_t, fix_seq = fixes.fixes(everything)
    fix_t = clock_wrap.counted_on(wraps, fix_keys, fix_t)
    fitted = _fit_boots(everything, fix_table, fix_bits, fix_keys, fix_t)
    logs = _summaries(everything, fitted, files)
    known = {log.log_id for log in logs}
    logs += [log for log in others if log.log_id not in known]
    notes = choose(logs, wanted)
    chosen = {log.log_id for log in logs if log.chosen}
    mine = [boot for boot in everything.boots if boot.log_id in chosen]
    boots = in_order(mine, fitted, partial(sectors_of, everything))
    causes = _causes(everything)
    joined, more = timeline.join(boots, [fitted.get(boot.key) for boot in boots], [causes.get(b.key) for b in boots])
    notes += more
    lines = {boot.key: line for boot, line in zip(boots, joined, strict=True)}
    for key in wraps.keys() & lines.keys():
        if lines[key]:
            lines[key].wrapped_below_ms = wraps[key]
    origin = _origin(everything, chosen, parts)
    follow_links(everything, boots, logs)
    stamp = Stamper(everything, boots, lines, origin, wraps)

    refused = _doubt_times(fix_table, fix_bits, fix_keys, fix_t, lines)
    notes += [gnss_clock.note(boot.boot, refused[boot.key]) for boot in boots if boot.key in refused]
    fix_order = stamp.order(fix_keys, fix_t, fix_seq)
    fix_table, fix_bits = stamp.table(fix_table, fix_keys, fix_t, fix_order, fix_seq), fix_bits[fix_order]
    tables, bits = [fix_table], {"fix": fix_bits}
    probe_table, probe_bits, probe_keys, probe_t, probe_seq = thermometers.temperature(everything)
    probe_order = stamp.order(probe_keys, probe_t, probe_seq)
    tables.append(stamp.table(probe_table, probe_keys, probe_t, probe_order, probe_seq))
    bits["temperature"] = probe_bits[probe_order]
    for make in (barometers.pressure, barometers.humidity, power_meters.power):
        table, own = make(everything)
        if len(table) == 0 and table.name in _ONLY_IF_THERE:
            continue
        order = stamp.kind_order(table.name)
        tables.append(stamp.kind_table(table, order))
        bits[table.name] = own[order]
    for make in (
        sensors.health,
        happenings.event,
        happenings.boot,
        happenings.probe,
        happenings.channel,
        happenings.pressure_cal,
        happenings.bmp280_cal,
        happenings.humidity_cal,
        happenings.i2c_probe,
    ):
        table = make(everything)
        if len(table) == 0 and table.name in _ONLY_IF_THERE:
            continue
        tables.append(stamp.kind_table(table, stamp.kind_order(table.name)))
    tables.append(stamp.notes())
    by_name = {table.name: table for table in tables}
    calibrated, more = calibrated_tables.apply(by_name, calibrations)
    notes += more
    freeze_doubts.flag_back(by_name, bits)
    bits["fix"] |= fix_doubts.doubts(by_name["fix"], bits["fix"], by_name["pressure"], bits["pressure"])
    by_name["fix"].columns["flags"] = flags.words_of(bits["fix"])
    if finished:
        finished(tables)
    bits["health"] = np.zeros(len(by_name["health"]), dtype=np.int64)
    timed = {name: flight.timed(by_name[name], bits[name]) for name in bits}
    spans = [(int(lines[b.key].at(b.first_ms)), int(lines[b.key].at(b.last_ms))) for b in boots if lines[b.key]]
    flight_table, phases, profile = flight.build(
        spans, timed["fix"], timed["pressure"], timed["temperature"], timed["power"], timed["health"],
        timed.get("humidity"),
    )  # fmt: skip
    if finished:
        finished([flight_table])
    uncalibrated = sum(int(((own & flags.NO_CALIBRATION) != 0).sum()) for own in bits.values())
    results = results_of(phases, profile, flight_table, [timed[name].utc_ms for name in ("fix", "pressure")])
    return Decoded(
        tables, flight_table, results, lines, boots, logs, notes, uncalibrated, refused, calibrated, origin, wraps
    )


def _origin(records, chosen, parts):
    """Copies of the flight's frames; None where there is but one: comparing costs time."""
    several = parts is not None and len(set(parts)) > 1
    if len(records.keys.pairs) > KEYS_MAX:
        return None
    if not several and not any(second_copy_blocks(piece.blocks).any() for piece in records.pieces):
        return None
    mine = np.array([pair[0] in chosen for pair in records.keys.pairs], dtype=bool)
    return Copies(records, parts or [0] * len(records.pieces), mine)


def summaries(everything, files=()):
    """What `convert` would say of each log, without its tables; list of LogSummary."""
    wraps = clock_wrap.find(everything)
    fix_table, bits, keys, t_ms, _seq = fixes.fixes(everything)
    t_ms = clock_wrap.counted_on(wraps, keys, t_ms)
    return _summaries(everything, _fit_boots(everything, fix_table, bits, keys, t_ms), files)


def _fit_boots(records, fix_table, bits, keys, t_ms):
    """Each boot's own UTC line, by key number. Fixes with an assumed date count only where there are no others."""
    moments = fix_table["gnss_utc"]
    assumed = (bits & flags.records.FLAG_ASSUMED_DATE) != 0
    lines = {}
    for key, own in rows_by_value(keys[moments.known]):
        own = np.flatnonzero(moments.known)[own]
        sure = own[~assumed[own]]
        chosen = sure if len(sure) else own
        lines[key] = timeline.fit(t_ms[chosen], moments.ms[chosen])
    return lines


def _doubt_times(fix_table, bits, keys, t_ms, lines):
    """Flag receiver times that are not the UTC line's, in `bits`; how many of which kind, by key number."""
    moments, refused = fix_table["gnss_utc"], {}
    known = np.flatnonzero(moments.known)
    for key, rows in rows_by_value(keys[known]):
        if lines.get(key) is None:
            continue
        own = known[rows]
        found = gnss_clock.doubts(t_ms[own], moments.ms[own], lines[key])
        bits[own] |= found
        counted = gnss_clock.counts(found)
        if counted:
            refused[key] = counted
    return refused


def _summaries(records, fitted, files):
    names = {}
    for entry in files:
        if entry["log_id"] is not None:
            names[entry["log_id"]] = entry["name"]
    logs, boards = {}, _boards(records)
    for boot in records.boots:
        log = logs.setdefault(boot.log_id, LogSummary(boot.log_id, names.get(boot.log_id), [], 0))
        log.boots.append(boot.boot)
        log.frames += boot.frames
        log.board = boards.get(boot.key, log.board)
        line = fitted.get(boot.key)
        if line is not None:
            first, last = int(line.at(boot.first_ms)), int(line.at(boot.last_ms))
            log.first_ms = first if log.first_ms is None else min(log.first_ms, first)
            log.last_ms = last if log.last_ms is None else max(log.last_ms, last)
    for log_id, before in links(records):
        logs[log_id].continues.add(before)
    card = logs_on_card(records)
    for log in logs.values():
        log.on_card = log.log_id in card
    return list(logs.values())


def _boards(records):
    """Id of the board by key number, as the boot records say it."""
    kind = KIND_OF_NAME["boot"]
    keys, rows = records.row_keys[kind].tolist(), records.rows[kind]
    return {key: bytes(row["board_id"]).hex() for key, row in zip(keys, rows, strict=True) if any(row["board_id"])}


def _causes(records):
    kind = KIND_OF_NAME["boot"]
    return dict(zip(records.row_keys[kind].tolist(), records.rows[kind]["cause"].tolist(), strict=True))

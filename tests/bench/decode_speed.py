"""How fast a clean 64 MiB log becomes columns, against one zlib.crc32 over it and against CSV readers on its data.

    python -m tests.bench.decode_speed [--rounds 7] [--mib 64]

All contestants take turns in one process, so a slow spell of the machine hits them alike; what counts are the ratios
(medians of the ratio within a round). "Columns" are one numpy structured array per record type, every frame's CRC
checked. The CSV files hold the same fields, and the boot that decode names for each row, one file per record type;
CSV readers check nothing. Goals: at most 10 times one zlib.crc32, at least 2.5 times as fast as the fastest CSV
reader. The log is then decoded with bits flipped: at most twice the time of the clean one. What other damage costs is
printed too, with the log and the damager of the property tests; its swapped and repeated sectors come with one bit
in ten thousand turned over.
"""

import argparse
import struct
import sys
import tempfile
import time
import zlib
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from ground.decode.frames.records import read
from ground.decode.frames.wire import KIND_NAMES
from shared_protocol.crc import frame_salt
from shared_protocol.frame import PREFIX, SYNC, encode_header
from shared_protocol.records import FIX, HEALTH, POWER, PRESSURE, TEMPERATURE, declaration, payload_format
from tests.property.damager import KINDS, write_log

# Records of one second in flight: 10 pressures, 5 panel readings, 2 temperatures, 1 fix, and health each 5 s.
SECOND = [PRESSURE, POWER, PRESSURE] * 5 + [FIX, TEMPERATURE, TEMPERATURE]
LOG_ID, BOOT = 0x5EED, 1


def make_log(mib, seed=1):
    """A log without a gap, full of random readings; bytes."""
    print(f"seed {seed}", file=sys.stderr)
    rng = np.random.default_rng(seed)
    salt = frame_salt(LOG_ID, BOOT)
    sizes = {kind: struct.calcsize(payload_format(declaration(kind)[2])) for kind in {*SECOND, HEALTH}}
    pattern = [(kind, sizes[kind]) for kind in (SECOND * 5 + [HEALTH])]
    pool, prefix, tail = rng.bytes(1 << 20), struct.Struct(PREFIX).pack, struct.Struct("<I").pack
    sectors, parts, room, seq, place, crc32 = [], [], 482, 0, 0, zlib.crc32
    goal = mib * 2048
    while len(sectors) < goal:
        for kind, size in pattern:
            t_ms = seq * 52
            place = (place + size) & 0xFFFF
            body = prefix(SYNC, kind, size, seq & 0xFFFF, t_ms) + pool[place : place + size]
            frame = body + tail(crc32(body, salt))
            if len(frame) > room:
                head = encode_header(LOG_ID, BOOT, len(sectors), seq & 0xFFFF, t_ms)
                sectors.append((head + b"".join(parts)).ljust(512, b"\xff"))
                parts, room = [], 482
            parts.append(frame)
            room -= len(frame)
            seq += 1
    return b"".join(sectors[:goal])


def write_csv(records, folder):
    """The same fields as text, one file per record type; their paths."""
    import pyarrow as pa
    from pyarrow import csv

    paths = []
    boots = np.array([boot for _log, boot in records.keys.pairs], dtype=np.uint32)
    for name, rows, keys in zip(KIND_NAMES, records.rows, records.row_keys, strict=True):
        if len(rows):
            columns = {"boot": boots[keys]} | {
                field: np.ascontiguousarray(rows[field])
                for field in rows.dtype.names
                if field not in ("_sync", "_type", "_length", "_crc")
            }
            paths.append(folder / f"{name}.csv")
            csv.write_csv(pa.table(columns), paths[-1])
    return paths


def csv_readers(paths):
    """Each CSV library as a function that reads all files."""
    import pandas
    import polars
    from pyarrow import csv

    return {
        "pyarrow.csv": lambda: [csv.read_csv(path) for path in paths],
        "polars": lambda: [polars.read_csv(path) for path in paths],
        "pandas": lambda: [pandas.read_csv(path) for path in paths],
    }


def damaged(data, bit_error_rate, seed=2):
    """A copy with bits flipped at random."""
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, len(data) * 8, rng.poisson(bit_error_rate * 8 * len(data)))
    copy = data.copy()
    np.bitwise_xor.at(copy, bits >> 3, (1 << (bits & 7)).astype(np.uint8))
    return copy


def measure_damage(data, rounds):
    """Print what damage costs, against the clean log in the same round."""
    for rate in (1e-6, 1e-5, 1e-4, 1e-3):
        hurt = damaged(data, rate)
        read([hurt])
        ratios = [seconds(lambda hurt=hurt: read([hurt])) / seconds(lambda: read([data])) for _ in range(rounds)]
        print(f"damaged at {rate:.0e} / clean: {np.median(ratios):.1f} (goal: at most 2)")


def measure_other_damage(mib, rounds):
    """Print the same for other kinds of damage than bits turned over."""
    log = write_log(mib * 2048, 1)
    for kind, (hurt, rates, what) in KINDS.items():
        if what == "bit":
            continue
        for rate in rates:
            data = hurt(log, rate, np.random.default_rng(2)).data
            read([data])
            ratios = [
                seconds(lambda data=data: read([data])) / seconds(lambda: read([log.data])) for _ in range(rounds)
            ]
            print(f"{kind}, {rate:g} of each {what} / clean: {np.median(ratios):.1f}")


def seconds(action):
    """How long one call takes."""
    begin = time.perf_counter()
    action()
    return time.perf_counter() - begin


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--rounds", type=int, default=7)
    options.add_argument("--mib", type=int, default=64)
    chosen = options.parse_args()
    if missing := [name for name in ("pandas", "polars", "pyarrow") if find_spec(name) is None]:
        sys.exit(f"decode_speed: {', '.join(missing)} not installed; ./thistledown test installs what benches need")
    data = np.frombuffer(make_log(chosen.mib), dtype=np.uint8)
    records = read([data])
    frames = sum(len(rows) for rows in records.rows)
    with tempfile.TemporaryDirectory() as folder:
        paths = write_csv(records, Path(folder))
        size = sum(path.stat().st_size for path in paths)
        print(
            f"log {len(data) / 2**20:.0f} MiB, {frames} frames, {records.boots[0].missing} missing; "
            f"CSV {size / 2**20:.0f} MiB"
        )
        del records
        contestants = {"zlib.crc32": lambda: zlib.crc32(data), "decode": lambda: read([data]), **csv_readers(paths)}
        times = {name: [] for name in contestants}
        for _ in range(chosen.rounds):
            for name, action in contestants.items():
                times[name].append(seconds(action))
    table = {name: np.array(values) for name, values in times.items()}
    for name, values in table.items():
        print(f"{name:12} {np.median(values) * 1000:8.1f} ms")
    fastest = min(
        (name for name in table if name not in ("zlib.crc32", "decode")), key=lambda name: np.median(table[name])
    )
    print(f"decode / zlib.crc32: {np.median(table['decode'] / table['zlib.crc32']):.1f} (goal: at most 10)")
    print(
        f"fastest CSV reader ({fastest}) / decode: {np.median(table[fastest] / table['decode']):.1f} "
        "(goal: at least 2.5)"
    )
    measure_damage(data, max(chosen.rounds // 2, 1))
    measure_other_damage(chosen.mib, max(chosen.rounds // 2, 1))


if __name__ == "__main__":
    main()

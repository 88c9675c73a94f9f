"""How often live chips repeat a word: the longest runs in a flight, and how far the box moved meanwhile.

`python -m tests.bench.equal_words FLIGHT_FOLDER ...`, each decoded. The limits of firmware/core/freeze.py stand on it.
"""

import sys
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

SERIES = (
    ("temperature", "probe", ("raw",)),
    ("power", "channel", ("bus_raw", "shunt_raw")),
    ("health", None, ("battery_raw",)),
    ("pressure", "sensor", ("d1",)),
    ("pressure", "sensor", ("d2",)),
)


def runs(words):
    """First and last index of each run of equal rows; words: shape (n, k)."""
    new = np.concatenate([[True], (words[1:] != words[:-1]).any(axis=1)])
    first = np.flatnonzero(new)
    return first, np.concatenate([first[1:], [len(words)]]) - 1


def report(folder):
    fix = pq.read_table(folder / "tables" / "fix.parquet").to_pandas().dropna(subset=["altitude_m"])
    boot = fix["boot"].iloc[-1]
    fix = fix[fix["boot"] == boot]
    for table, key, columns in SERIES:
        rows = pq.read_table(folder / "tables" / f"{table}.parquet").to_pandas()
        rows = rows[rows["boot"] == boot]
        for name in sorted(set(rows[key])) if key else [""]:
            own = rows[rows[key] == name] if key else rows
            first, last = runs(own[list(columns)].to_numpy())
            count = last - first + 1
            altitude = np.interp(own["t_ms"], fix["t_ms"], fix["altitude_m"])
            moved_m = np.abs(altitude[last] - altitude[first])
            longest = count.argmax()
            text = f"{folder.name}: {table} {name} {'+'.join(columns)}: longest run {count[longest]}"
            print(f"{text}, moving {moved_m[longest]:.0f} m; most in 700 m: {count[moved_m >= 700].max(initial=0)}")


if __name__ == "__main__":
    for argument in sys.argv[1:]:
        report(Path(argument))

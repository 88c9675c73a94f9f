"""A three-hour flight's log: decoding it after import, and as whole processes from start to end.

    python -m tests.bench.flight_decode [--rounds 9] [--hours 3]

The log is written by tests/ground/log_maker.py at the rates of a real flight. Three things are timed: `read` in a
process that has imported everything (least of many), a Python process that imports the decoder and gives the log's
arrays, and `thistledown decode` to a folder of tables, without the launcher and (where it has an environment) with it.
Whole processes take turns with `python -c pass`; wall time and CPU time are given, medians and least. Goals: at most
20 ms after import, less than 0.6 s as a whole process.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from ground.decode.frames.records import read
from tests.bench.decode_speed import seconds
from tests.ground.log_maker import LogMaker, flight_profile, log_flight

_ROOT = Path(__file__).resolve().parents[2]
_ARRAYS = """
import sys
import numpy as np
from ground.decode.frames.records import read
records = read([np.fromfile(sys.argv[1], dtype=np.uint8)])
assert sum(len(rows) for rows in records.rows) == int(sys.argv[2])
"""


def flight_log(hours):
    """Bytes of a log of so many hours, ground time before and after included."""
    profile = flight_profile()
    rest = max(int(hours * 3600) - len(profile.altitude_m), 0)
    return log_flight(LogMaker(), flight_profile(rest_s=240 + rest)).data()


def _words(path, folder):
    return ["decode", path, "-o", folder, "--force"]


def process(command):
    """Wall and CPU seconds of one whole process."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONDONTWRITEBYTECODE": ""})
    wall, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--rounds", type=int, default=9)
    options.add_argument("--hours", type=float, default=3.0)
    chosen = options.parse_args()
    raw = flight_log(chosen.hours)
    data = np.frombuffer(raw, dtype=np.uint8)
    first = seconds(lambda: read([data]))
    least = min(seconds(lambda: read([data])) for _ in range(100))
    frames = sum(len(rows) for rows in read([data]).rows)
    print(f"log {len(raw) / 1e6:.2f} MB, {frames} frames")
    print(f"read, after import: {least * 1e3:.1f} ms; the first time, with its tables: {first * 1e3:.1f} ms (goal: 20)")
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "TD000001.LOG"
        path.write_bytes(raw)
        contestants = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "process to arrays": [sys.executable, "-c", _ARRAYS, path, str(frames)],
            "python -m ground": [sys.executable, "-m", "ground", *_words(path, Path(name) / "out")],
        }
        if (_ROOT / ".venv" / "thistledown.json").is_file():
            contestants["./thistledown"] = [sys.executable, _ROOT / "thistledown", *_words(path, Path(name) / "all")]
        times = {label: [] for label in contestants}
        for round_ in range(chosen.rounds + 1):
            for label, command in contestants.items():
                spent = process([str(word) for word in command])
                if round_:  # the first one warms the disk's cache
                    times[label].append(spent)
    for label, spent in times.items():
        wall, cpu = np.array(spent).T
        print(f"{label:20} wall {np.median(wall):.2f} s (least {wall.min():.2f}), "
              f"CPU {np.median(cpu):.2f} s (least {cpu.min():.2f})")  # fmt: skip


if __name__ == "__main__":
    main()

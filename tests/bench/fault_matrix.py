"""Flies every set of chips through every fault in every phase and prints what the log said, and when.

`python -m tests.bench.fault_matrix [set ...]`; the sets are those of tests/journeys/fault_matrix.py. A number is the
time from the fault to the event that names it. WRONG cells are told below the table, and the exit status is then 1.
"""

import sys
import tempfile
import time
from pathlib import Path

from tests.journeys.fault_matrix import SETS, fly_phase, rows_of
from tests.journeys.fault_world import PHASES


def main(names):
    cells, longest, began, flown_s = [], 0, time.process_time(), 0.0
    for name in names or SETS:
        for phase in PHASES:
            with tempfile.TemporaryDirectory() as folder:
                found, flown = fly_phase(Path(folder), name, phase)
                longest = max(longest, max(flown.table("health")["loop_max_ms"]))
                flown_s += flown.flight.duration_s
            cells += found
            print(
                f"{name}, {phase}: {len(found)} cells, {sum(bool(c.faults_found) for c in found)} wrong",
                file=sys.stderr,
            )
    print("\n".join(rows_of(cells)))
    print(f"\n{len(cells)} cells, {flown_s:.0f} s flown, longest turn of the loop {longest} ms, "
          f"{time.process_time() - began:.0f} s of this process")  # fmt: skip
    wrong = [cell for cell in cells if cell.faults_found]
    for cell in wrong:
        print(f"WRONG {cell.chip.kind}, {cell.fault}, {cell.phase}: {cell.faults_found}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

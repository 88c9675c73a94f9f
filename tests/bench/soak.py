"""Switch a box on for 72 simulated hours, fly it again and again, let every kind of fault befall it; print what came.

`python -m tests.bench.soak [--hours 72] [--seed 7]`. Each leg of the world is a flight that begins where the last one
came down. Faults of every kind come at random times, ten an hour; for a day there is no power cut, so that one boot
lasts long enough to show a leak. Printed are restarts, logs (a full log is followed by the next one), each stretch
without readings by its reason (a fault of that part or an event beside it; without one it is unexplained), the heap of
firmware and virtual board after collection at the beginning and the end of each long boot, and the wear of the flash.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from shared_protocol import events
from tests.soak.soak_run import WRITES_A_SECOND, soak

_QUIET_H = 24.0
_CUTS = 12
_SHOWN_MAX = 20
_LEAK_BYTES_AN_HOUR = 1000


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--hours", type=float, default=72.0)
    options.add_argument("--seed", type=int, default=7)
    options.add_argument("--per-hour", type=float, default=10.0)
    options.add_argument("--interface", choices=("block", "spi"), default="block")
    options.add_argument("--keep", type=Path, help="where to leave the flight; default: thrown away")
    chosen = options.parse_args()
    began = time.monotonic()
    quiet = (2.0, 2.0 + _QUIET_H) if chosen.hours > _QUIET_H + 4 else (0.0, chosen.hours / 2)
    second = round(3600 * WRITES_A_SECOND)
    cuts = (round((quiet[1] + 2) * second * 1.2), round(chosen.hours * second), _CUTS)

    def progress(share, text):
        print(f"\r{100 * share:5.1f} %  {text}   ", end="", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        summary = soak(
            chosen.keep or Path(name), chosen.hours, chosen.seed, per_hour=chosen.per_hour, quiet_h=quiet,
            cuts=cuts if cuts[1] > cuts[0] else (), interface=chosen.interface, progress=progress,
        )  # fmt: skip
    print(file=sys.stderr)
    failed = report(summary)
    print(f"{chosen.hours:g} h in {time.monotonic() - began:.0f} s of this computer")
    sys.exit(1 if failed else 0)


def report(summary):
    """Print it all; True if something is wrong."""
    result, recording = summary.result, summary.recording
    kinds = Counter(fault["kind"] for fault in summary.faults)
    codes = Counter(one[1] for one in recording.events)
    print(f"{len(summary.faults)} faults: " + ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())))
    reasons = Counter(boot["reason"] for boot in result.boots)
    print(f"{len(result.boots)} boots, ended by " + ", ".join(f"{why} {n}" for why, n in sorted(reasons.items())))
    print(
        f"{len(recording.logs)} logs, {codes[events.LOG_FULL]} of them run full; {recording.frames} frames,"
        f" {sum(codes.values())} events, {len(summary.task_errors)} task errors, {len(result.complaints())} complaints"
    )
    by_reason = Counter((gap.reason or "UNEXPLAINED") for gap in summary.gaps)
    print(f"{len(summary.gaps)} gaps: " + ", ".join(f"{why} {count}" for why, count in by_reason.most_common()))
    for gap in summary.unexplained[:_SHOWN_MAX]:
        print(f"  UNEXPLAINED {gap.stream}: {gap.begin_s:.1f} to {gap.end_s:.1f} s")
    for line in result.complaints()[:_SHOWN_MAX]:
        print("  COMPLAINT " + line)
    for one in summary.task_errors[:_SHOWN_MAX]:
        print(f"  TASK ERROR {one}")
    leaks = False
    for hours, first, last in summary.growth:
        leaks |= last - first > _LEAK_BYTES_AN_HOUR * hours
        print(f"heap after collection, boot of {hours:.1f} h: {first} bytes, at last {last} ({last - first:+d})")
    wear = result.flash_wear()
    most = wear["erases_of_one_block_max"]
    print(f"flash: {wear['erases']} erases on {wear['blocks_erased']} blocks, {most} of one at most")
    return leaks or summary.unexplained or summary.task_errors or result.complaints()


if __name__ == "__main__":
    main()

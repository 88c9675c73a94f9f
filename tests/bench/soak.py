"""Switch a box on for 72 simulated hours, fly it again and again, let every kind of fault befall it; print what came.

`python -m tests.bench.soak [--hours 72] [--seed 7] [--interface spi]`. Each leg of the world is a flight that begins
where the last one came down. Faults of every kind come at random times, ten an hour; for a day there is no power cut,
so that one boot lasts long enough to show a leak. Printed are restarts, logs (a full log is followed by the next one),
each stretch that is without readings on card and in flash by its reason (a fault of that part or an event beside it;
without one it is unexplained), the heap of firmware and virtual board after collection at the beginning and the end of
each long boot, and the wear of the flash. The last lines are the verdict; the exit status is 1 if a promise was broken.
"""

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from ground.simulator.flight import BoardFailure
from shared_protocol import events
from tests.soak.soak_run import WRITES_A_SECOND, soak

_QUIET_H = 24.0
_CUTS = 12
_SETTINGS = {"log_size_mib": 8}  # four hours, so that logs run full
_CARD_MIB = 4096  # room for all the logs that trouble begins, too
_SHOWN_MAX = 20
_LEAK_BYTES_AN_HOUR = 1000
_WANTED_ENDINGS = ("power_cut", "end_of_world")
_LINE_EVERY_S = 60.0  # of progress, where it goes into a file


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
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        try:
            summary = soak(
                chosen.keep or Path(name), chosen.hours, chosen.seed, per_hour=chosen.per_hour, quiet_h=quiet,
                cuts=cuts if cuts[1] > cuts[0] else (), interface=chosen.interface, progress=Progress(),
                settings=_SETTINGS, card_mib=_CARD_MIB,
            )  # fmt: skip
            print(file=sys.stderr)
            broken = report(summary)
            leak = "no leak" if summary.growth else "too short to show a leak"
        except BoardFailure as failure:
            leak, broken = "", [f"the board came to a standstill: {failure}"]
    took_s = time.monotonic() - began
    what = f"soak of {chosen.hours:g} h, seed {chosen.seed}, card on {chosen.interface}"
    print(f"\n{what}: {took_s:.0f} s of this computer")
    for line in broken:
        print("BROKEN: " + line)
    print("NOT PASSED: a promise was broken" if broken else f"PASSED: {leak}, no gap without a reason, no reset")
    sys.exit(1 if broken else 0)


class Progress:
    """One line that changes on a terminal; a line a minute in a file."""

    def __init__(self):
        self._is_terminal = sys.stderr.isatty()
        self._next_s = time.monotonic()

    def __call__(self, share, text):
        if self._is_terminal:
            print(f"\r{100 * share:5.1f} %  {text}   ", end="", file=sys.stderr, flush=True)
        elif time.monotonic() >= self._next_s:
            self._next_s = time.monotonic() + _LINE_EVERY_S
            print(f"{100 * share:5.1f} %  {text}", file=sys.stderr, flush=True)


def report(summary):
    """Print it all; a list of what is wrong, one sentence each."""
    result, recording = summary.result, summary.recording
    kinds = Counter(fault["kind"] for fault in summary.faults)
    codes = Counter(one[1] for one in recording.events)
    print(f"{len(summary.faults)} faults: " + ", ".join(f"{kind} {count}" for kind, count in sorted(kinds.items())))
    reasons = Counter(boot["reason"] for boot in result.boots)
    print(f"{len(result.boots)} boots, ended by " + ", ".join(f"{why} {n}" for why, n in sorted(reasons.items())))
    print(
        f"{len(recording.logs)} logs, {codes[events.LOG_FULL]} of them run full; {recording.frames} frames,"
        f" {sum(codes.values())} events"
    )
    by_reason = Counter((gap.reason or "UNEXPLAINED") for gap in summary.gaps)
    print(f"{len(summary.gaps)} gaps: " + ", ".join(f"{why} {count}" for why, count in by_reason.most_common()))
    longest = max(summary.gaps, key=lambda gap: gap.end_s - gap.begin_s)
    reason = longest.reason or "UNEXPLAINED"
    print(
        f"{sum(gap.is_told for gap in summary.gaps)} of them have an event beside them;"
        f" the longest: {longest.stream}, {longest.end_s - longest.begin_s:.0f} s, {reason}"
    )
    print(
        f"pressure is missing for {summary.missing_s:.0f} of {result.duration_s:.0f} s in all;"
        f" faults and restarts account for {summary.accounted_s} s at most"
    )
    return [*_interruptions(summary), *_wrongs(summary), *_leaks(summary), *_wear(summary)]


def _interruptions(summary):
    for gap in summary.unexplained[:_SHOWN_MAX]:
        print(f"  UNEXPLAINED {gap.stream}: {gap.begin_s:.1f} to {gap.end_s:.1f} s")
    if summary.unexplained:
        yield f"{len(summary.unexplained)} gaps without a reason"
    if summary.missing_s > summary.accounted_s:
        yield f"more readings are missing than the faults account for: {summary.missing_s:.0f} s of pressure"
    unwanted = [boot for boot in summary.result.boots if boot["reason"] not in _WANTED_ENDINGS]
    for boot in unwanted[:_SHOWN_MAX]:
        print(f"  RESET at {boot['world_us'] / 1e6:.1f} s: {boot['reason']}, {boot['detail']}")
    if unwanted:
        yield f"{len(unwanted)} resets that no power cut explains"


def _wrongs(summary):
    complaints = summary.result.complaints()
    for line in complaints[:_SHOWN_MAX]:
        print("  COMPLAINT " + line)
    if complaints:
        yield f"{len(complaints)} complaints of the virtual chips"
    for one in summary.task_errors[:_SHOWN_MAX]:
        print(f"  TASK ERROR {one}")
    if summary.task_errors:
        yield f"{len(summary.task_errors)} tasks failed"


def _leaks(summary):
    for hours, first, last in summary.growth:
        print(f"heap after collection, boot of {hours:.1f} h: {first} bytes, at last {last} ({last - first:+d})")
        if last - first > _LEAK_BYTES_AN_HOUR * hours:
            yield f"the heap grew by {last - first} bytes in a boot of {hours:.1f} h"
    if not summary.growth:
        print("no boot was long enough to show a leak")


def _wear(summary):
    wear = summary.result.flash_wear()
    most = wear["erases_of_one_block_max"]
    print(f"flash: {wear['erases']} erases on {wear['blocks_erased']} blocks, {most} of one at most")
    rated = 100_000  # of a common 2 MB chip (its data sheet, from memory)
    if most > rated:
        yield f"a block of the flash was erased {most} times, rated for {rated}"


if __name__ == "__main__":
    main()

"""Print how much faster than the real thing a whole simulated flight is, on MicroPython.

`python -m tests.bench.flight_speed [SCENARIO] [--flights 3]`. A flight is what `thistledown fly` does: the world is
computed, the card formatted, every boot flown, truth and card written. Given are the simulated seconds by the seconds
of this computer, the slowest and the median of some flights, and which share of the computer's time the firmware's
interpreter with the virtual board took; the rest is the world and the files. Goal: at least 300 times real time.
"""

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from ground.simulator import flight
from ground.simulator.scenario import load_scenario

GOAL = 300


def timed_flight(scenario):
    """Simulated seconds, host seconds of all of it, host seconds in which an interpreter flew a boot."""
    flown_s = 0.0
    plain = flight.run_boot

    def run_boot(*arguments):
        nonlocal flown_s
        began = time.monotonic()
        try:
            return plain(*arguments)
        finally:
            flown_s += time.monotonic() - began

    flight.run_boot = run_boot
    try:
        with tempfile.TemporaryDirectory() as folder:
            began = time.monotonic()
            result = flight.fly(scenario, Path(folder) / "flight")
            whole_s = time.monotonic() - began
    finally:
        flight.run_boot = plain
    if result.runtime != "micropython":
        sys.exit("MicroPython was not found; this measures flights on MicroPython only")
    return result.duration_s, whole_s, flown_s


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("scenario", nargs="?", default="demo")
    options.add_argument("--flights", type=int, default=3)
    chosen = options.parse_args()
    scenario = load_scenario(chosen.scenario)
    flights = [timed_flight(scenario) for _ in range(max(chosen.flights, 1))]
    ratios = [simulated_s / whole_s for simulated_s, whole_s, _ in flights]
    for (simulated_s, whole_s, _), ratio in zip(flights, ratios, strict=True):
        print(f"{simulated_s:.0f} s flown in {whole_s:.1f} s: {ratio:.0f} times real time")
    share = statistics.median(flown_s / whole_s for _, whole_s, flown_s in flights)
    print(f"slowest {min(ratios):.0f}, median {statistics.median(ratios):.0f} times real time (goal: at least {GOAL})")
    print(f"firmware and virtual board in their interpreter: {100 * share:.0f} % of the time")


if __name__ == "__main__":
    main()

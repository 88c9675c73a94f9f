"""Print how much of this computer's time one second of the firmware's takes, on MicroPython with a virtual clock.

`python tests/bench/firmware_speed.py`. All tasks run, the chips are the small fakes of tests/firmware, the card is in
memory behind MicroPython's own FAT driver. What the simulator adds on top is its own.
"""

import subprocess
import sys
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from ground.install.build import ROOT
from tests.interpreters import micropython_path

SECONDS = 300

SCRIPT = """
import sys, time
sys.path.insert(0, {root!r})
from tests.firmware.flight_bench import Flight
flight = Flight()
flight.run(10)
begun = time.ticks_us()
flight.run({seconds})
whole = time.ticks_diff(time.ticks_us(), begun)
schedule = flight.computer.schedule
spent = [0] * len(schedule._steps)
turns = [0] * len(schedule._steps)

def timed(number, step):
    def call(now_ms):
        begun = time.ticks_us()
        due = step(now_ms)
        spent[number] += time.ticks_diff(time.ticks_us(), begun)
        turns[number] += 1
        return due
    return call

for number, step in enumerate(schedule._steps):
    schedule._steps[number] = timed(number, step)
flight.run({seconds})
assert flight.computer.task_errors == 0
print("whole", whole / {seconds}, 0)
for number, name in enumerate({names!r}):
    print(name, spent[number] / {seconds}, turns[number] / {seconds})
"""

# in the order in which firmware/start_up.py adds them
NAMES = ("barometer", "power", "thermometers", "gnss", "health", "identity", "flight_phase", "signals", "log")


def main():
    script = SCRIPT.format(root=str(ROOT), seconds=SECONDS, names=NAMES)
    command = [micropython_path(), "-X", "heapsize=64m", "-c", script]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    for line in done.stdout.splitlines():
        name, microseconds, steps = line.split()
        note = "of it, clock and fakes included" if name == "whole" else f"in {float(steps):4.1f} steps"
        print(f"{name:12} {float(microseconds):7.1f} us a second {note}")


if __name__ == "__main__":
    main()

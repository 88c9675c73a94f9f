"""Print the firmware's own live heap after its start, on MicroPython, its code loaded from .mpy files.

`python tests/bench/firmware_heap.py`. Board, card and settings are fakes made before the first measurement, so they do
not count. The goal is 120 kB on the 64-bit port; a board's pointers are half as long, and so are most objects.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.firmware_build import ROOT, compile_all
from tests.interpreters import micropython_path

GOAL_BYTES = 120000

SCRIPT = """
import gc, json, sys
sys.path.insert(0, {fakes!r})
sys.path.insert(0, "")  # the compiled code, in the current folder, as on a board
import fakes, ram_card
sys.modules["machine"] = sys.modules["onewire"] = fakes
card = ram_card.formatted_card(12288)
for number in range(card.count):
    card.blocks[number] = card.blocks[number] or bytearray(512)
board = fakes.FakeBoard(ram_card.FatStorage(card))
boots = fakes.Boots(1)
settings_text = {settings!r}

def live():
    gc.collect()
    gc.collect()
    return gc.mem_alloc()

def main():
    before = live()
    import firmware.board  # as on a board; the fakes stand in for its hardware
    from firmware import start_up
    from firmware.core import spare
    from firmware.core.settings import Settings
    imported = live()
    settings = Settings(settings_text)
    computer = start_up.build(board, settings, boots, 1)
    built = live()
    start_up.start(computer, board, settings, boots, 1)
    del settings, start_up, Settings
    spare.forget(spare.STARTING)
    started = live()
    board.time.stop_ms = 125000
    try:
        computer.schedule.run()
    except fakes.Stop:
        pass
    flown = live()
    import firmware.drivers.sdcard
    driver = live()
    print("ROW code", imported - before)
    print("ROW parts", built - imported)
    print("ROW log-and-chips", started - built)
    print("ROW two-minutes", flown - started)
    print("ROW total", flown - before)
    print("ROW card-driver", driver - flown)
    print("ROW sectors", computer.journal.sectors_written)
    print("ROW errors", computer.task_errors)

main()
"""


def settings_text():
    """A complete settings file."""
    import json

    from firmware.core.settings import CHOICES, NUMBERS, ROMS

    values = {key: entry[0] for key, entry in NUMBERS.items()} | {key: entry[0] for key, entry in CHOICES.items()}
    values |= dict.fromkeys(ROMS, "") | {"contact": "Ring the bell at the old mill", "log_size_mib": 4}
    return json.dumps(values).encode()


def measure():
    """The rows of figures by name, in bytes (`sectors` and `errors` are counts)."""
    with tempfile.TemporaryDirectory() as folder:
        compile_all(folder)
        script = SCRIPT.format(fakes=str(ROOT / "tests" / "firmware"), settings=settings_text())
        command = [micropython_path(), "-X", "heapsize=32m", "-c", script]
        done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    if done.returncode:
        raise RuntimeError(done.stderr)
    return {line.split()[1]: int(line.split()[2]) for line in done.stdout.splitlines() if line.startswith("ROW ")}


def main():
    rows = measure()
    if not rows["sectors"] or rows["errors"]:
        sys.exit("the firmware did not fly; the figures mean nothing")
    for name in ("code", "parts", "log-and-chips", "two-minutes"):
        print(f"{name:14} {rows[name]:+8} bytes")
    print(f"{'live heap':14} {rows['total']:8} bytes, goal {GOAL_BYTES}")
    print(f"{'card driver':14} {rows['card-driver']:+8} bytes, on a port without a card driver of its own")


if __name__ == "__main__":
    main()

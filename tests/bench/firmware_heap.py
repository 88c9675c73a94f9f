"""Print the firmware's own live heap after its start, on MicroPython, its code loaded from .mpy files.

`python tests/bench/firmware_heap.py`. Two figures make the sum. First all of the code is imported into a bare
interpreter, also what is forgotten after the start, and what it takes is measured. Then board, card
and settings are made of fakes, which do not count, and the firmware is built, started and flown for two minutes.

The goal, which a test holds, is 120 kB on the 64-bit port. On 32 bits, as on a board, the code takes three quarters of
what it takes here (board32.py).
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from firmware.core.settings import CHOICES, NUMBERS, ROMS
from ground.install.build import ROOT, compile_all
from tests.interpreters import micropython_path

GOAL_BYTES = 120000

SCRIPT = """
import gc, sys
sys.path.insert(0, "")  # the compiled code, in the current folder, as on a board
sys.path.append({fakes!r})

def live():
    gc.collect()
    gc.collect()
    return gc.mem_alloc()

class Hardware:
    pass

def load():
    sys.modules["machine"] = sys.modules["onewire"] = Hardware
    import firmware.board, firmware.start_up, firmware.core.settings
    import firmware.drivers.ms5611, firmware.drivers.ds18b20, firmware.drivers.ina219, firmware.tasks.probes_onewire
    import firmware.core.log_search, firmware.core.log_arm
    from firmware.core import spare
    spare.forget(spare.LOG_OPENING)

def hardware():
    # board, card and settings: none of it counts
    import fakes, ram_card, ram_flash
    card = ram_card.formatted_card(12288)
    for number in range(card.count):
        card.blocks[number] = card.blocks[number] or bytearray(512)
    flash = ram_flash.RamFlash(ram_flash.RamFlashChip(352))
    return fakes.FakeBoard(ram_card.FatStorage(card), 0, flash), fakes.Boots(1), fakes.Stop

def start(board, boots):
    from firmware.core.settings import Settings
    from firmware import start_up
    settings = Settings({settings!r})
    computer = start_up.build(board, settings, boots, 1)
    start_up.start(computer, board, settings, boots, 1)
    return computer

def fly(board, computer, stop):
    from firmware.core import spare
    spare.forget(spare.STARTING)
    spare.forget_constructors()
    board.time.stop_ms = 125000
    try:
        computer.schedule.run()
    except stop:
        pass

before = live()
load()
code = live() - before
board, boots, stop = hardware()
before = live()
computer = start(board, boots)
fly(board, computer, stop)
# Here, at the outermost level, no value left over on the interpreter's stack keeps garbage alive.
flown = live()
print("ROW code", code)
print("ROW parts", flown - before)
print("ROW sectors", computer.journal.sectors_written)
print("ROW errors", computer.task_errors)
import firmware.drivers.sdcard
print("ROW card-driver", live() - flown)
"""


def settings_text():
    """A complete settings file."""
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
        raise RuntimeError(done.stdout + done.stderr)
    return {line.split()[1]: int(line.split()[2]) for line in done.stdout.splitlines() if line.startswith("ROW ")}


def live_bytes(rows):
    """All of it, with the driver that a board without one of its own needs."""
    return rows["code"] + rows["parts"] + rows["card-driver"]


def main():
    rows = measure()
    if not rows["sectors"] or rows["errors"]:
        sys.exit("the firmware did not fly; the figures mean nothing")
    total = live_bytes(rows)
    print(f"{'code':12} {rows['code']:8} bytes, start-up code and the table of records included")
    print(f"{'parts':12} {rows['parts']:+8} bytes: buffers, objects, file system; less what is forgotten")
    print(f"{'card driver':12} {rows['card-driver']:+8} bytes, on a port without a card driver of its own")
    print(f"{'live heap':12} {total:8} bytes, goal {GOAL_BYTES}")


if __name__ == "__main__":
    main()

"""A MicroPython behind a pseudo-terminal with no board around it: as much `machine` as installing needs."""

from pathlib import Path

from ground.simulator.serial_process import SerialMicroPython

_SCRIPT = '''\
"""One start of a MicroPython without a board: flash, restart and a watchdog that only counts."""
import json, os, sys, termios

with open(sys.argv[1]) as file:
    start = json.load(file)
report = {"reason": "soft", "world_us": 0, "state": None, "watchdog_left_us": None, "fed": 0}


def write():
    with open(start["report"], "w") as file:
        json.dump(report, file)


def reset():
    report["reason"] = "reset"
    raise SystemExit


class Machine:
    class WDT:
        def __init__(self, timeout):
            pass

        def feed(self):
            report["fed"] += 1

    reset = staticmethod(reset)


sys.modules["machine"] = Machine
mode = termios.tcgetattr(0)
mode[3] |= 0x80 if sys.platform == "darwin" else 0x01  # the stop key
termios.tcsetattr(0, termios.TCSANOW, mode)
sys.atexit(write)
os.putenv("MICROPYINSPECT", "1")
os.chdir(start["flash"])
sys.path[:] = [""]
if start["runs_main"]:
    try:
        with open("main.py") as file:
            program = file.read()
    except OSError:
        program = ""
    exec(program, {"__name__": "__main__"})
'''


class BareBoard(SerialMicroPython):
    """`flash` is the folder of its files."""

    def __init__(self, flash):
        super().__init__()
        self.flash = Path(flash).resolve()
        self.flash.mkdir(parents=True, exist_ok=True)
        self.script = self.scratch / "start.py"
        self.script.write_text(_SCRIPT, encoding="utf-8")

    def describe(self, start):
        return {**start, "flash": str(self.flash)}

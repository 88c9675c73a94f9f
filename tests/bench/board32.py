"""Run the firmware's own tests, and weigh its code, on a MicroPython of 32 bits, whose small integers end at 2**30.

`python -m tests.bench.board32`. So do a board's. The port that the suite flies on has 64 bits, where nothing of what
the firmware counts outgrows a small integer. This one is MicroPython's own WebAssembly port, a package of the npm
registry that Node.js runs; it has no FAT driver, so what needs a card stays with the suite. A locked heap is no test
here: on 32 bits longitudes, CRCs and some products are objects, which the loop collects when it is idle.
"""

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from ground.install.build import ROOT, compile_all
from tests import interpreters

PACKAGE = "@micropython/micropython-webassembly-pyscript@1.27.0"
RUNNER = Path(__file__).with_name("board32.mjs")
FOLDERS = ["firmware", "shared_protocol", "tests/firmware", "tests/data/gnss"]
LOCK = "from micropython import heap_lock, heap_unlock"
NO_LOCK = "heap_lock = heap_unlock = lambda: None"

CODE = """
import sys
sys.path.insert(0, {folder!r})
class Hardware:
    pass
sys.modules["machine"] = sys.modules["onewire"] = Hardware
before = gc.mem_alloc()
import firmware.board, firmware.start_up, firmware.core.settings
import firmware.drivers.ms5611, firmware.drivers.ds18b20, firmware.drivers.ina219, firmware.tasks.probes_onewire
import firmware.core.log_search, firmware.core.log_arm
"""
START = 'print("START", gc.mem_alloc() - before)\nfrom firmware.core import spare\nspare.forget(spare.LOG_OPENING)\n'
FLIGHT = 'print("FLIGHT", gc.mem_alloc() - before)\n'


class Board32:
    """The interpreter, got from the registry into a folder."""

    def __init__(self, folder):
        if missing := [name for name in ("node", "npm") if shutil.which(name) is None]:
            sys.exit(f"board32: {' and '.join(missing)} not found; install Node.js")
        command = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefix", str(folder), PACKAGE]
        if subprocess.run(command).returncode:
            sys.exit(f"board32: npm could not install {PACKAGE}; see what it says above")
        self._package = folder / "node_modules" / PACKAGE.rpartition("@")[0]
        self._scripts = folder

    def run(self, folders, *codes, timeout=300):
        """What some pieces of code print, run one after the other."""
        paths = []
        for number, code in enumerate(codes):
            paths.append(self._scripts / f"{number}.py")
            paths[-1].write_text(code)
        command = ["node", RUNNER, self._package, *folders, *paths]
        done = subprocess.run(command, capture_output=True, text=True, timeout=timeout, cwd=ROOT)
        assert done.returncode == 0, f"exit {done.returncode}\n{done.stdout}\n{done.stderr[-2000:]}"
        return done.stdout


class InPlace:
    """Lets tests run on this board what they would run on the suite's MicroPython; leaves out the others."""

    def __init__(self, board):
        self._board = board
        self.passed, self.failed = 0, []

    def run(self, code, interpreter, *, heap="8m", path=(), timeout=300):
        """As `interpreters.run`."""
        assert interpreter == "micropython" and not path
        setup = f"import sys\nsys.path.insert(0, {str(ROOT)!r})\n"
        return self._board.run([ROOT / name for name in FOLDERS], setup + code.replace(LOCK, NO_LOCK), timeout=timeout)

    def pytest_collection_modifyitems(self, items):
        """Keep what is asked of both Pythons, for the one of them."""
        items[:] = [item for item in items if re.search(r"[\[-]micropython[\]-]", item.name)]
        for module in {item.module for item in items}:
            assert module.run is interpreters.run
            module.run = self.run

    def pytest_runtest_logreport(self, report):
        """Count."""
        self.passed += report.when == "call" and report.passed
        if report.failed:
            self.failed.append(report.nodeid)


def weigh(board):
    """Print what the compiled code takes of the heap."""
    with tempfile.TemporaryDirectory() as folder:
        compile_all(folder)
        said = board.run([folder], CODE.format(folder=folder), START, FLIGHT)
    figures = dict(line.split() for line in said.splitlines())
    print(f"code at the start {figures['START']:>8} bytes")
    print(f"code in flight    {figures['FLIGHT']:>8} bytes (firmware_heap's `code`, on 64 bits)")


def main():
    with tempfile.TemporaryDirectory() as folder:
        board = Board32(Path(folder))
        print(board.run([], "import sys\nprint(sys.version, 'largest small integer', sys.maxsize >> 1)"), end="")
        in_place = InPlace(board)
        places = [str(ROOT / "tests" / name) for name in ("firmware", "shared_protocol")]
        pytest.main(["-q", "-n0", "-p", "no:cacheprovider", *places], [in_place])
        weigh(board)
    print(f"{in_place.passed} passed, {len(in_place.failed)} failed")
    sys.exit(bool(in_place.failed) or not in_place.passed)


if __name__ == "__main__":
    main()

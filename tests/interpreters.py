"""Run a piece of code in an interpreter of its own: real MicroPython where it can be had, and CPython."""

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent


def micropython_path():
    """The MicroPython program beside this Python, or None where the platform has none."""
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else shutil.which("micropython")


INTERPRETERS = [name for name in ("cpython", "micropython") if name == "cpython" or micropython_path()]


def run(code, interpreter, *, heap="8m", path=(), timeout=120):
    """Run `code` with the project's folder on its path; give back what it printed. Its failure is ours."""
    setup = "import sys\n" + "".join(f"sys.path.insert(0, {str(entry)!r})\n" for entry in (ROOT, *path))
    if interpreter == "micropython":
        command = [micropython_path(), "-X", f"heapsize={heap}", "-c", setup + code]
    else:
        command = [sys.executable, "-c", setup + code]
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout, cwd=ROOT)
    assert done.returncode == 0, f"{interpreter}: exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout

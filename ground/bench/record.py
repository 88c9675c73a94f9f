"""The bench record: bench.json, which decode and people read, and bench.html, one page to print and put with the box.

A record that is already there is never written over: it moves aside under its own time. Its calibration points are
taken over as far as they belong to sensors that are still on the board, so a two-point calibration may take two
evenings.
"""

import json
import os
import re
from dataclasses import dataclass, field
from pathlib import Path

from ground.bench.calibrated_tables import NAME, load_calibrations
from ground.bench.calibration import calibrations_of
from ground.bench.identities import identities
from ground.errors import InputError
from ground.version import __version__

KIND, VERSION = "Thistledown bench record", 1
PAGE_NAME = "bench.html"
CAUTIONS = (
    "A GO says that the parts answered on a table. It is no permission to fly: follow your aviation authority's rules "
    "and notify it where they say so.",
    "Lithium AA cells are never charged. Lithium-ion cells: charge only above 0 °C, on something that does not burn, "
    "never alone; none that is swollen, dented or below its lowest voltage. Carry spare cells so that their ends touch "
    "nothing.",
    "A panel in light is a source that no switch turns off: cover it before you change a wire. In bright sun panel "
    "and load resistor get hot enough to burn.",
    "Do not look into the sun while you turn the panel to it.",
)


@dataclass
class BenchRecord:
    """All that is kept of a bench session."""

    made_utc: str
    kind_of_run: str  # "bench" or "cold run"
    board: dict
    settings: dict
    plan: dict
    answers: dict
    run: dict
    judgement: object
    sensors: dict
    points: list = field(default_factory=list)

    def as_dict(self):
        """As it stands in bench.json."""
        return {
            "kind": KIND,
            "version": VERSION,
            "verdict": self.judgement.word,
            "summary": self.judgement.sentence,
            "made_utc": self.made_utc,
            "made_by": f"thistledown {__version__}",
            "kind_of_run": self.kind_of_run,
            "board": self.board,
            "run": self.run,
            "settings": self.settings,
            "plan": self.plan,
            "answers": self.answers,
            "sensors": self.sensors,
            "findings": [finding.as_dict() for finding in self.judgement.findings],
            "calibration_points": [point.as_dict() for point in self.points],
            "calibrations": [calibration.as_dict() for calibration in calibrations_of(self.points)],
            "cautions": list(CAUTIONS),
        }


def make_record(evidence, judgement, *, made_utc, board, points=(), kind_of_run="bench", settings_file=None):
    """The record of an evidence and what the checks say of it."""
    seconds = max(evidence.last_ms - evidence.first_ms, 0.0) / 1000.0
    return BenchRecord(
        made_utc=made_utc,
        kind_of_run=kind_of_run,
        board=board,
        settings={
            "file": str(settings_file) if settings_file else None,
            "crc": evidence.settings_crc,
            "values": evidence.settings.model_dump(),
        },
        plan=evidence.plan.model_dump(exclude_none=True),
        answers=evidence.answers.as_dict(),
        run={"seconds": round(seconds, 1), "link": evidence.statistics},
        judgement=judgement,
        sensors=identities(evidence.tables),
        points=list(points),
    )


def earlier_points(folder, sensors):
    """Calibration points of the record in a folder that belong to these sensors; list of Point.

    Raises
    ------
    InputError
        If there is a file of that name that is no bench record.
    """
    path = Path(folder) / NAME
    if not path.exists():
        return []
    return [
        point for calibration in load_calibrations(path) for point in calibration.points
        if sensors.get(point.quantity) == point.identity
    ]  # fmt: skip


def check_folder(folder):
    """Refuse a folder that could not take the record, before anybody spends minutes on one.

    Raises
    ------
    InputError
        If it is a file, may not be written into, or holds a file of the record's name that is no bench record.
    """
    folder = Path(folder)
    there = next((path for path in (folder, *folder.absolute().parents) if path.exists()), folder)
    if not there.is_dir():
        raise InputError(f"{there} is a file; choose another folder with --out")
    if not os.access(there, os.W_OK | os.X_OK):
        raise InputError(f"{there}: may not be written into; choose another folder with --out")
    if (folder / NAME).exists():
        load_calibrations(folder / NAME)


def write_record(record, folder):
    """Write bench.json and bench.html into a folder; an older record is moved aside. Gives the two paths.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    from ground.bench.page import render_page

    folder = Path(folder)
    document = record.as_dict()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        stamp = _stamp(folder / NAME)
        for name in (NAME, PAGE_NAME):
            _move_aside(folder / name, stamp)
        paths = folder / NAME, folder / PAGE_NAME
        for path, text in zip(
            paths, (json.dumps(document, indent=1, allow_nan=False) + "\n", render_page(document)), strict=True
        ):
            stage = path.with_suffix(path.suffix + ".part")
            stage.write_text(text, encoding="utf-8")
            os.replace(stage, path)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}); choose another folder with --out") from None
    return paths


def _stamp(path):
    """When the record that lies there was made, fit for a file's name; "older" if it does not say."""
    try:
        made = json.loads(path.read_text(encoding="utf-8"))["made_utc"]
        return re.sub(r"[^0-9TZ-]", "", made)[:32] or "older"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "older"


def _move_aside(path, stamp):
    """bench.json becomes bench-2026-05-01T101500Z.json; with a number behind it if there is one already."""
    if not path.exists():
        return
    goal, number = path.with_name(f"{path.stem}-{stamp}{path.suffix}"), 2
    while goal.exists():
        goal = path.with_name(f"{path.stem}-{stamp}-{number}{path.suffix}")
        number += 1
    os.replace(path, goal)

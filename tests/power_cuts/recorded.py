"""Flights flown once for the engine, with their journals.

| name | flight | card before |
| --- | --- | --- |
| short | four minutes: ground, a climb, a burst, a landing | new |
| full | the shipped demo, with its restart in flight | new |
| used | the short one | an older flight's log lies where the new one will: the card was formatted quickly in between |
| second | the short one | an older flight's log, and it is kept |
"""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from ground.simulator.board_description import REPOSITORY
from ground.simulator.boot_process import format_card
from ground.simulator.flight import fly
from ground.simulator.interpreter import find_interpreter
from ground.simulator.scenario import load_scenario, parse_scenario
from ground.simulator.storage import copy_sparse
from tests.power_cuts.compiled import compile_board
from tests.power_cuts.copy_frames import files_of, sectors_of
from tests.power_cuts.journal import read_journal

FLIGHTS = ("short", "full", "used", "second")
_OLDER_SEED = 77
_SHORT = {
    "launch": {"wait_s": 60.0},
    "balloon": {"burst_diameter_m": 1.7},
    "landing": {"altitude_m": 412.0, "stay_s": 40.0},
    "faults": [],
}


@dataclass
class Recorded:
    """A flight as the engine needs it: images from before, every write, and how its boots were described."""

    name: str
    folder: Path
    card_before: Path
    flash_before: Path
    writes: list
    description: dict  # of the last boot, to be changed for a restart
    boots: list  # world time of each power-up [us]
    duration_s: float
    copy: list  # sectors of the second copy, as littlefs reads them after the flight: ((log id, boot), frames)


def short_scenario():
    """Four minutes from power-up to the end: a small balloon bursts a few hundred metres up."""
    raw = load_scenario("demo").model_dump(exclude_unset=True)
    for table, keys in _SHORT.items():
        raw[table] = {**raw[table], **keys} if isinstance(keys, dict) else keys
    return parse_scenario(raw, "short flight")


def record(name, folder):
    """Fly one of FLIGHTS into `folder`; everything is kept there, so that each case starts from it."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    scenario = load_scenario("demo") if name == "full" else short_scenario()
    empty = fly(scenario, folder / "empty", stop_after_s=0.2)  # before the first line of main(): card and flash are new
    older = None
    if name in ("used", "second"):
        older = _older(name, scenario, folder)
    card_before = folder / "card_before.img"
    copy_sparse(older or empty.card_image, card_before)
    flash_before = Path(shutil.copyfile(empty.flash_image, folder / "flash_before.img"))
    journal = folder / "journal.bin"
    journal.unlink(missing_ok=True)
    flight = fly(
        scenario, folder / "flight", card_image=card_before, flash_image=flash_before, journal=journal,
        scratch=folder,
    )  # fmt: skip
    description = json.loads((folder / "board.json").read_text())
    description["import_folders"] = [str(compile_board(folder / "compiled"))]
    copy = sectors_of(files_of(find_interpreter(), flight.flash_image, folder / "copy"))
    return Recorded(
        name, folder, card_before, flash_before, read_journal(journal), description,
        [boot["start_us"] for boot in flight.boots], flight.duration_s, copy,
    )  # fmt: skip


def _older(name, scenario, folder):
    """The card of an older flight: on a short log that is nearly full, or with its file system made anew."""
    if name == "second":
        nearly_full = {"settings": {"log_size_mib": 1}, "stop_after_s": 1600.0}
        return fly(load_scenario("calm"), folder / "older", seed=_OLDER_SEED, **nearly_full).card_image
    flown = fly(scenario, folder / "older", seed=_OLDER_SEED)
    format_card(find_interpreter(), flown.card_image.resolve(), REPOSITORY)
    return flown.card_image

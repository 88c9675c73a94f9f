"""A simulated board on a serial port: MicroPython runs the firmware on the virtual board, at the pace of the clock."""

import json
from dataclasses import replace
from pathlib import Path

from ground.simulator.board_description import (
    REPOSITORY,
    WIRING_KEYS,
    board_settings,
    chip_descriptions,
    fault_descriptions,
    gnss_description,
    write_world,
)
from ground.simulator.boot_process import format_card
from ground.simulator.serial_process import SerialMicroPython
from ground.simulator.world import build_world

MAIN = "from firmware.main import main\nmain()\n"  # main.py of a board that has the firmware of this repository
_END_US = 10 * 86_400_000_000
_BEFORE_RELEASE_S = 5.0
_WORLDS: dict = {}  # the newest one, for who starts one board after the other in it


class SerialBoard(SerialMicroPython):
    """The board of a scenario, before its launch.

    Parameters
    ----------
    scenario : Scenario
        The world stands still just before the launch; faults come at their times after power-up.
    speed : float
        World time by the computer's.
    seed : int, optional
        In place of the scenario's own.
    settings : dict, optional
        Keys of the board's settings.json that differ from what fits the scenario.
    faults : iterable of dict
        More faults, as board/faults.py takes them.
    blank : bool
        Nothing is in the flash: a board as it comes with MicroPython.
    flash_image : path, optional
        The board's flash, kept and written to; by default an empty one that is thrown away.
    flash_folder : path, optional
        A folder in place of the flash, to look into.
    card_image : path, optional
        The card, kept and written to; by default an empty one that is thrown away.
    """

    script = Path(__file__).parent / "board" / "serial_run.py"

    def __init__(self, scenario, *, speed=1.0, seed=None, settings=None, faults=(), blank=False,
                 flash_image=None, flash_folder=None, card_image=None):  # fmt: skip
        super().__init__()
        self.off_s = 1.0 / speed
        card = Path(card_image or self.scratch / "card.img").resolve()
        if not card.exists():
            with open(card, "wb") as file:
                file.truncate(scenario.card.size_mib << 20)
            format_card(self.interpreter, card, REPOSITORY)
        seed = scenario.seed if seed is None else seed
        settings = board_settings(scenario, seed, settings)
        world = _before_launch(scenario, seed)
        self._common = {
            "import_folders": [str(REPOSITORY)],
            "firmware_folders": [] if blank else [str(REPOSITORY)],
            "seed": seed,
            "world": write_world(world, self.scratch / "world.f64"),
            "start_unix_us": round(world.start_utc.timestamp() * 1000) * 1000,
            "wiring": {key: settings[key] for key in WIRING_KEYS},
            "chips": chip_descriptions(scenario, settings),
            "gnss": gnss_description(scenario),
            "card": str(card),
            "card_interface": scenario.card.interface,
            "card_kind": scenario.card.kind,
            **self._flash(flash_image, flash_folder, scenario.flash.size_kib),
            "files": {} if blank else {"settings.json": json.dumps(settings), "main.py": MAIN},
            "faults": [
                fault | {"writes_before": 0}
                for fault in fault_descriptions(scenario, world.facts["released_s"], faults)
            ],
            "end_us": _END_US,
            "speed": speed,
        }  # fmt: skip

    def _flash(self, image, folder, size_kib):
        """What the board is told of its flash, made if it is not there."""
        if folder is not None:
            Path(folder).mkdir(parents=True, exist_ok=True)
            return {"flash_folder": str(Path(folder).resolve())}
        image = Path(image or self.scratch / "flash.img").resolve()
        if not image.exists():
            image.write_bytes(b"\xff" * (size_kib << 10))
        return {"flash": str(image)}

    def describe(self, start):
        """The board of board_description.py, and this start of it."""
        return self._common | start


def _before_launch(scenario, seed):
    """The world up to the moment before the launch; chips find its last row ever after."""
    key = (scenario.model_dump_json(exclude={"faults"}), seed)
    if key not in _WORLDS:
        _WORLDS.clear()
        _WORLDS[key] = _cut(build_world(scenario, None, seed))
    return _WORLDS[key]


def _cut(world):
    rows = max(2, int((world.facts["released_s"] - _BEFORE_RELEASE_S) * 1000 / world.step_ms))
    return replace(world, columns={name: values[:rows] for name, values in world.columns.items()})

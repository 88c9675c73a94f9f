"""What comes out of a simulated flight, and the files that say so: truth.parquet and flight.json beside card.img."""

import json
from collections import Counter
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np


@dataclass
class FlightResult:
    """What came out of a flight. `boots` are the reports of board/run.py with `start_us` and `cause` added."""

    out_dir: Path
    card_image: Path
    truth_path: Path
    seed: int
    runtime: str
    flash_image: Path | None = None  # None where a folder took the flash's place
    notices: list = field(default_factory=list)
    facts: dict = field(default_factory=dict)  # of the world: gas, heights, times, the landing
    boots: list = field(default_factory=list)
    duration_s: float = 0.0
    host_s: float = 0.0

    @property
    def specimens(self):
        """What each virtual chip of this flight gets wrong (offsets, gains), as its docstring explains."""
        return self.boots[-1]["specimens"] if self.boots else []

    def complaints(self):
        """Lines about what no good firmware does: a chip misused, an exception that left main(). Empty is good."""
        lines = []
        for number, boot in enumerate(self.boots, 1):
            for objection in boot["objections"]:
                lines.append(f"boot {number}, {objection['at_s']:.3f} s: {objection['who']}: {objection['what']}")
            if boot["objection_count"] > len(boot["objections"]):
                lines.append(f"boot {number}: {boot['objection_count']} objections in all")
            if boot["escaped"]:
                lines.append(f"boot {number}: out of main(): {boot['escaped'].strip()}")
        return lines

    def flash_wear(self):
        """Erases of the flash in this flight: of all blocks together, and of the block that was erased most."""
        erases: Counter[int] = Counter()
        for boot in self.boots:
            erases.update(dict(boot["flash"]["erases"] if boot["flash"] else ()))
        return {
            "erases": erases.total(),
            "blocks_erased": len(erases),
            "erases_of_one_block_max": max(erases.values(), default=0),
        }

    def count(self, name):
        """A counter of the ledger, over all boots."""
        return sum(boot["counts"].get(name, 0) for boot in self.boots)


def write_truth(world, result):
    """The world's truth for as long as the flight lasted; past the world's end the box goes on lying there."""
    rows = round(result.duration_s * 1000) // world.step_ms + 1
    count = len(world.columns["altitude_m"])
    if rows < count:
        columns = {name: column[:rows] for name, column in world.columns.items()}
    else:
        columns = {name: np.pad(column, (0, rows - count), mode="edge") for name, column in world.columns.items()}
    replace(world, columns=columns).write_truth(result.truth_path)


def write_notes(result, scenario):
    notes = asdict(result) | {"scenario": scenario.name}
    notes |= {"flash_image": result.flash_image and result.flash_image.name, "flash_wear": result.flash_wear()}
    notes |= {"out_dir": ".", "card_image": result.card_image.name, "truth_path": result.truth_path.name}
    notes["remarks"] = ["heap figures in health records are the board's budget, not measured"]
    (result.out_dir / "flight.json").write_text(json.dumps(notes, indent=1), encoding="utf-8")

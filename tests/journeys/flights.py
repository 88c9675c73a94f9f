"""Fly and decode for the journey tests: the same two calls that the command line makes."""

from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq

from ground.decode import decode
from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario


@dataclass
class Flown:
    """A flight folder and what the two steps said about it."""

    folder: Path
    flight: object
    decoded: object

    def table(self, name):
        """`tables/<name>` as a dict of column lists."""
        return pq.read_table(self.folder / "tables" / f"{name}.parquet").to_pydict()

    def flight_table(self):
        """`flight.parquet`, one row a second, as a dict of column lists."""
        return pq.read_table(self.folder / "flight.parquet").to_pydict()

    def truth(self):
        """`truth.parquet` as a dict of column lists."""
        return pq.read_table(self.folder / "truth.parquet").to_pydict()


def fly_and_decode(folder, scenario="calm", **options):
    """Fly a scenario (a shipped name, a path, or one loaded) into `folder`, decode its card, give the result back."""
    loaded = load_scenario(scenario) if isinstance(scenario, str | Path) else scenario
    flight = fly(loaded, folder, **options)
    decoded = decode(folder / "card.img", folder)
    return Flown(Path(folder), flight, decoded)

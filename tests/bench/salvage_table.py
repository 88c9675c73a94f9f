"""Every kind of hurt card: how many frames are physically there and how many the decoder recovers (must be all).

`python -m tests.bench.salvage_table [--seconds 600]`: flies the shipped scenario `calm` for so long, takes the log off
its card image and puts it into every kind of tests/ground/hurt_cards.py, beside an older log. "There" is counted by the
plain byte-by-byte reader of shared_protocol; for littlefs and for dumps in UF2 or as text, which cut frames, by what
was written. Exit status 1 if a frame is missed or one is taken that is not there.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from ground.decode.frames.records import read
from ground.decode.salvage.sources import open_source
from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario
from tests.ground import hurt_cards
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight


def flown_log(image):
    """Bytes of the one log on a flown card, from its first sector to its last."""
    from ground.decode.salvage import carve
    from ground.decode.salvage.extents import data_extents

    with open(image, "rb") as handle:
        runs = carve.runs(handle, data_extents(image, image.stat().st_size))
        origin = int(runs["block"][0] - runs["sector"][0])
        assert (runs["block"] - runs["sector"] == origin).all(), "the log of a flown card lies in one piece"
        handle.seek(origin * 512)
        return handle.read(int(runs["block"][-1] + runs["count"][-1] - origin) * 512)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600)
    options = parser.parse_args()
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fly(load_scenario("calm"), folder / "flown", stop_after_s=options.seconds)
        log = flown_log(folder / "flown" / "card.img")
        older = log_flight(LogMaker(log_id=5), flight_profile(top_m=1500.0), utc_ms=LAUNCH_UTC_MS - 86_400_000 * 30)
        old = older.data()
        (folder / "whole").write_bytes(log)
        pairs = [*read(open_source(folder / "whole").buffers).keys.pairs, (5, 1)]
        written = hurt_cards.frames_there(folder / "whole", pairs)
        print(f"{'kind':36}  {'taken for':8} {'there':>8} {'recovered':>9} {'wrong':>6}")
        flown = folder / "flown" / "card.img"
        faults += row("flown card, as it is", flown, hurt_cards.frames_there(flown, pairs))
        for kind, (make, tools) in hurt_cards.KINDS.items():
            if lacking := hurt_cards.missing_tools(tools):
                print(f"{kind:36}  not made: needs {', '.join(lacking)}")
                continue
            with tempfile.TemporaryDirectory(dir=folder) as own:
                path = make(Path(own), log, old)
                there = (
                    written if hurt_cards.is_known_by_what_was_written(kind) else hurt_cards.frames_there(path, pairs)
                )
                faults += row(kind, path, there)
    return 1 if faults else 0


def row(kind, path, there):
    """Print one line; how many frames are missed or wrong."""
    taken_for, recovered = hurt_cards.frames_recovered(path)
    wrong = len(recovered - there)
    print(f"{kind:36}  {taken_for:8} {len(there):9,} {len(there & recovered):9,} {wrong:6,}", flush=True)
    return len(there - recovered) + wrong


if __name__ == "__main__":
    sys.exit(main())

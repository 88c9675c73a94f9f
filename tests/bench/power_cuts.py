"""Cut the power at every write of a flight, start again, decode, check; print what was counted, and each failing case.

`python -m tests.bench.power_cuts` does it all: the short flight at every write in every kind, the full one at 2 000
cuts by chance, 2 000 torn sectors over an older flight's log, and every write of a second log's arming on a card that
holds an older one. `--flight NAME` does one of them. A failing case prints the one command that plays it again:
`python -m tests.bench.power_cuts --flight short --cut 123 --kind torn --split 200 --seed 7`; with `--keep DIR` that
leaves the card and the flash as the cut left them.
"""

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.power_cuts import campaign
from tests.power_cuts.checks import Judge
from tests.power_cuts.cuts import Cut
from tests.power_cuts.recorded import FLIGHTS, record

_SHOWN_MAX = 20


def chosen_cuts(recorded, options):
    """The cuts this script stands for, by flight."""
    if recorded.name == "short":
        return campaign.every_cut(recorded, options.seed), "every write, every kind"
    if recorded.name == "full":
        return campaign.sampled_cuts(recorded, options.cuts, options.seed), f"by chance, seed {options.seed}"
    armed = Judge(recorded).armed
    if recorded.name == "used":
        return campaign.torn_cuts(recorded, options.cuts, options.seed, armed), f"torn sectors, seed {options.seed}"
    cuts = [cut for cut in campaign.every_cut(recorded, options.seed) if cut.number <= armed + 8]
    return cuts, "every write of arming, every kind"


def run_flight(name, options, folder):
    """Fly, cut, tally; how many failed."""
    began = time.monotonic()
    recorded = record(name, folder / name)
    cuts, which = chosen_cuts(recorded, options)
    print(f"{name}: {len(recorded.writes)} writes in {recorded.duration_s:.0f} s of flight; {len(cuts)} cuts, {which}")

    def progress(cases, failures):
        if cases % 100 == 0 or cases == len(cuts):
            pace = cases / (time.monotonic() - began)
            print(f"  {cases}/{len(cuts)}, {pace:.1f} a second, {failures} failed", file=sys.stderr, flush=True)

    tally = campaign.on_cores(recorded, cuts, folder / name, options.cores, progress)
    print(
        f"  {tally.cases} cuts ({tally.arming} while arming, {tally.flash} at the flash), {len(tally.failures)} failed;"
        f" {time.monotonic() - began:.0f} s\n"
        f"  frames committed before the cuts: {tally.frames}, lost: {'see below' if tally.failures else 0},"
        f" dropped by the card itself: {tally.dropped}\n"
        f"  fsck.fat -n at {tally.fsck} cuts after arming, before and after the restart;"
        f" while arming it finds something after {tally.fsck_arming_unclean}\n"
        f"  frames of the second copy committed before the cuts: {tally.copy_frames}\n"
        f"  torn sectors that end in intact frames of the older flight: {tally.torn_old}\n"
        f"  first sector on the card after a restart: {tally.resume_us_max / 1e6:.2f} s after power-up at the latest"
    )
    for command, broken in tally.failures[:_SHOWN_MAX]:
        print(f"  FAILED {command}\n    " + "\n    ".join(broken))
    return len(tally.failures)


def replay(options, folder):
    """One case again."""
    recorded = record(options.flight, folder / options.flight)
    cut = Cut(options.flight, options.cut, options.kind, options.split, options.seed)
    if not 1 <= cut.number <= len(recorded.writes):
        sys.exit(f"--cut {cut.number}: the flight has writes 1 to {len(recorded.writes)}")
    if options.keep:
        options.keep.mkdir(parents=True, exist_ok=True)
        bench = campaign.Bench(recorded, folder / "kept")
        bench.kept(options.keep / "card.img", options.keep / "flash.img", cut)
        bench.close()
    tally = campaign.work_through(recorded, [cut], folder / "replay")
    print("\n".join(line for _, broken in tally.failures for line in broken) or "all well")
    return len(tally.failures)


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--flight", choices=FLIGHTS)
    options.add_argument("--cut", type=int, help="one write, counted from 1; with --kind")
    options.add_argument("--kind", choices=("whole", "torn", "garbage", "lost", "shuffled"), default="whole")
    options.add_argument("--split", type=int, default=0, help="torn: bytes that are new; lost: how many writes")
    options.add_argument("--seed", type=int, default=7)
    options.add_argument("--cuts", type=int, default=2000, help="how many by chance")
    options.add_argument("--cores", type=int, default=os.cpu_count())
    options.add_argument("--keep", type=Path, help="where to leave card and flash of one case")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="power-cuts-") as name:
        if chosen.cut is not None:
            if not chosen.flight:
                options.error("--cut needs --flight")
            failed = replay(chosen, Path(name))
        else:
            failed = sum(run_flight(each, chosen, Path(name)) for each in FLIGHTS if chosen.flight in (None, each))
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()

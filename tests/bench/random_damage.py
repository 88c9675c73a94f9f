"""Logs hurt at random until so many frames were damaged: every whole frame recovered, no wrong one, beside the theory.

    python -m tests.bench.random_damage [--damaged 1e8] [--seed 1] [--sectors 16384]
    python -m tests.bench.random_damage --only "bytes lost" 1e-3 --seed 4711 --runs 1      (one case again)

The damager (tests/property/damager.py) keeps the account; the decoder only reads. Every kind and rate is run `--least`
times, then those of the highest rates, and bits turned over at 1e-4, until the number is reached. Exit status 1 if a
whole frame is missed or a wrong one accepted. Run 1 of a case uses the seed itself, each later one the next seed.

**The arithmetic.** CRC-32 finds every error of fewer flipped bits than its Hamming distance: 6 up to 268 data bits, 5
up to 2974 (P. Koopman, "32-Bit Cyclic Redundancy Codes for Internet Applications", DSN 2002, figures from memory), and
every burst of up to 32 bits. Of what lies beyond, one pattern in 2^32 passes. So with p the bit error rate and n the
bits of a frame

    expected wrong = sum over frames of P(binomial(n, p) >= distance) x 2^-32      bits turned over
    expected wrong = damaged frames x 2^-32                                         all else: no pattern is assumed

times the salts that are tried on it: one where the sector's header is whole, else one for each boot that may be meant.
Before that a frame is judged together with all others of its 8 KiB, of its sector, and of its sector but for one bit:
each of the three lets one damaged stretch in 2^32 pass (only patterns of four bits and more), and with it the frame:

    expected wrong += damaged frames x 3 x 2^-32

These are upper bounds: sync, type and length have to have survived as well.
"""

import argparse
import sys
import time
from dataclasses import dataclass, fields

import numpy as np
from scipy.stats import binom

from ground.decode.frames.loose import BOOTS_AROUND
from ground.decode.frames.records import read
from tests.property.damager import KINDS, Outcome, compare, write_log

FLIPS = "bits turned over"
SHARES = {
    (FLIPS, 1e-3): 0.86, (FLIPS, 1e-4): 0.05, ("bursts overwritten", 1e-3): 0.05, ("bytes lost", 1e-3): 0.02,
    ("bytes inserted", 1e-3): 0.02,
}  # of what is left to do  # fmt: skip
TOGETHER = 3  # stretches in which a frame is judged before it is judged alone
SALTS_MAX = 2 + 2 * BOOTS_AROUND  # boots of the log, and those guessed beside them
LENGTH_OF_DISTANCE_6 = 268 + 32  # bits with the CRC


@dataclass
class Sum(Outcome):
    """Outcomes of all runs of one case."""

    runs: int = 0
    expected_wrong: float = 0.0

    def add(self, outcome, expected):
        for field in fields(Outcome):
            setattr(self, field.name, getattr(self, field.name) + getattr(outcome, field.name))
        self.runs += 1
        self.expected_wrong += expected


def expected_wrong(log, kind, rate, outcome):
    """Upper bound of the wrong frames that one run may be expected to give (see the top of the file)."""
    if kind != FLIPS:
        return outcome.hurt * (SALTS_MAX + TOGETHER) * 2.0**-32
    sizes, counts = np.unique(log.sizes, return_counts=True)
    bits = sizes * 8
    beyond = binom.sf(np.where(bits <= LENGTH_OF_DISTANCE_6, 6, 5) - 1, bits, rate)
    return (float((counts * beyond).sum()) * SALTS_MAX + outcome.hurt * TOGETHER) * 2.0**-32


def run(log, kind, rate, seed, total):
    """One case with one seed; whether all was well."""
    hurt = KINDS[kind][0](log, rate, np.random.default_rng(seed))
    outcome = compare(log, hurt, read([hurt.data]).rows)
    total.add(outcome, expected_wrong(log, kind, rate, outcome))
    if outcome.recovered == outcome.whole and outcome.wrong == 0:
        return True
    print(
        f"{kind} at {rate:g}, seed {seed}: {outcome}; again: "
        f'python -m tests.bench.random_damage --only "{kind}" {rate:g} --seed {seed} --runs 1',
        flush=True,
    )
    return False


def main():
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--damaged", type=float, default=1e8)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--sectors", type=int, default=16384)
    options.add_argument("--least", type=int, default=10)
    options.add_argument("--only", nargs=2, metavar=("KIND", "RATE"))
    options.add_argument("--runs", type=int, default=1)
    chosen = options.parse_args()
    print(f"seed {chosen.seed}, log of {chosen.sectors} sectors written with seed 1", flush=True)
    log = write_log(chosen.sectors, 1)
    if chosen.only:
        kind, rate = chosen.only[0], float(chosen.only[1])
        sums = {(kind, rate): Sum(0, 0, 0, 0, 0)}
        outcomes = [run(log, kind, rate, chosen.seed + n, sums[kind, rate]) for n in range(chosen.runs)]
        well = all(outcomes)
        return report(sums, well)
    sums = {(kind, rate): Sum(0, 0, 0, 0, 0) for kind, (_act, rates, _of) in KINDS.items() for rate in rates}
    well = True
    try:
        well = go_on(log, sums, chosen)
    except KeyboardInterrupt:
        print("stopped from the keyboard")
    return report(sums, well)


def go_on(log, sums, chosen):
    """Run every case, then those of the highest rates up to the number asked for; whether all was well."""
    well, begin = True, time.monotonic()
    for (kind, rate), total in sums.items():
        for _ in range(chosen.least):
            well &= run(log, kind, rate, chosen.seed + total.runs, total)
    left = chosen.damaged - sum(total.hurt for total in sums.values())
    for (kind, rate), share in SHARES.items():
        total = sums[kind, rate]
        goal = total.hurt + max(left, 0) * share
        while total.hurt < goal:
            well &= run(log, kind, rate, chosen.seed + total.runs, total)
            if total.runs % 100 == 0:
                done = sum(each.hurt for each in sums.values())
                print(f"{done:.3g} damaged frames after {time.monotonic() - begin:.0f} s", file=sys.stderr, flush=True)
    return well


def report(sums, well):
    """Print the table; the exit status."""
    print(f"{'kind':20} {'rate':>6} {'runs':>6} {'frames whole':>14} {'missed':>7} {'frames damaged':>15} "
          f"{'same by chance':>15} {'wrong':>6} {'expected wrong':>15}")  # fmt: skip
    for (kind, rate), total in sums.items():
        print(f"{kind:20} {rate:6g} {total.runs:6} {total.whole:14,} {total.whole - total.recovered:7,} "
              f"{total.hurt:15,} {total.by_chance:15,} {total.wrong:6,} {total.expected_wrong:15.1e}")  # fmt: skip
    whole, hurt = sum(each.whole for each in sums.values()), sum(each.hurt for each in sums.values())
    missed = whole - sum(each.recovered for each in sums.values())
    wrong, expected = sum(each.wrong for each in sums.values()), sum(each.expected_wrong for each in sums.values())
    print(f"in all: {whole:,} whole frames, {missed:,} missed; {hurt:,} damaged frames, {wrong:,} accepted wrongly "
          f"(expected: at most {expected:.1e})")  # fmt: skip
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())

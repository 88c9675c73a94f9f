"""Long fuzzing without another tool: valid files changed again and again by a seed, until the time is over.

    python -m tests.fuzz.by_mutation [--seconds 60] [--seed 1] [TARGET ...]

Targets are those of targets.py; each gets its share of the time. A failing input is written to a file and its name
printed with the error; exit status 1. For coverage as a guide see with_atheris.py.
"""

import argparse
import random
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.fuzz.mutation import STEPS, mutate
from tests.fuzz.targets import TARGETS, run


def fuzz(name, seed, seconds, folder):
    """Inputs tried and distinct faults found."""
    rng = random.Random(f"{name} {seed}")
    examples, tried, faults = TARGETS[name].examples(), 0, {}
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        data = rng.choice(examples)
        for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
            data = mutate(data, rng.choice(STEPS), rng.random(), rng.randrange(1 << 20))
        tried += 1
        try:
            run(name, data)
        except BaseException as error:  # also what is no Exception: a parser must not end the process
            if isinstance(error, KeyboardInterrupt):
                raise
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = (type(error).__name__, Path(last.filename).name, last.lineno)
            if where not in faults:
                path = folder / f"{name.replace(' ', '-')}-{len(faults)}"
                path.write_bytes(data)
                faults[where] = path
                print(f"{name}: {' '.join(map(str, where))}: {str(error)[:200]!r}; input in {path}", flush=True)
    return tried, faults


def main():
    """Fuzz and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    options.add_argument("--seconds", type=float, default=60)
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    if unknown := set(chosen.targets) - set(TARGETS):
        options.error(f"no target {', '.join(sorted(unknown))}; there are {', '.join(TARGETS)}")
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    names = chosen.targets or list(TARGETS)
    print(f"seed {chosen.seed}")
    found = 0
    for name in names:
        tried, faults = fuzz(name, chosen.seed, chosen.seconds / len(names), folder)
        print(f"{name:24} {tried:8} inputs, {len(faults)} faults", flush=True)
        found += len(faults)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())

"""Many cuts of one recorded flight: which ones, worked through on some cores, tallied."""

import multiprocessing
import random
from pathlib import Path

from tests.power_cuts.checks import Judge, Tally
from tests.power_cuts.cuts import Cut, kinds_at
from tests.power_cuts.restart import Bench


def every_cut(recorded, seed):
    """All kinds at every write."""
    cuts = []
    for number, write in enumerate(recorded.writes, 1):
        cuts += kinds_at(recorded.name, number, write, seed)
    return cuts


def sampled_cuts(recorded, count, seed):
    """`count` cuts by chance, in the order of the flight; each kind as often as in every_cut()."""
    every = every_cut(recorded, seed)
    return [every[n] for n in sorted(random.Random(seed).sample(range(len(every)), min(count, len(every))))]


def torn_cuts(recorded, count, seed, first):
    """`count` torn sectors behind write `first`, all splits by chance."""
    chance, cuts = random.Random(seed), set()
    numbers = [n for n, w in enumerate(recorded.writes, 1) if n > first and len(w.data) == 512]
    while len(cuts) < min(count, len(numbers) * 400):
        cuts.add(Cut(recorded.name, chance.choice(numbers), "torn", chance.randrange(1, 512), seed))
    return sorted(cuts, key=lambda cut: (cut.number, cut.split))


def work_through(recorded, cuts, folder, on_case=None):
    """The tally of some cuts, one after the other; on_case(1 if it failed, else 0) after each."""
    judge, bench, tally = Judge(recorded), Bench(recorded, Path(folder)), Tally()
    try:
        for cut in cuts:
            before = len(tally.failures)
            judge.judge(cut, bench.try_out(cut), tally)
            if on_case:
                on_case(len(tally.failures) - before)
    finally:
        bench.close()
    return tally


def on_cores(recorded, cuts, folder, cores, progress):
    """The same on several cores, each with its stretch of the flight; progress(cases done, failures so far)."""
    size = -(-len(cuts) // cores)
    parts = [cuts[at : at + size] for at in range(0, len(cuts), size)]
    done, total = multiprocessing.Queue(), Tally()
    workers = [
        multiprocessing.Process(target=_worker, args=(recorded, part, Path(folder) / f"worker{n}", done))
        for n, part in enumerate(parts)
    ]
    for worker in workers:
        worker.start()
    cases, left, failures = 0, len(workers), 0
    while left:
        kind, value = done.get()
        if kind == "case":
            cases += 1
            failures += value
            progress(cases, failures)
        else:
            left -= 1
            if kind == "broke":
                raise RuntimeError(value)
            total.add(value)
    for worker in workers:
        worker.join()
    return total


def _worker(recorded, cuts, folder, done):
    try:
        tally = work_through(recorded, cuts, folder, lambda failed: done.put(("case", failed)))
        done.put(("tally", tally))
    except BaseException as error:
        done.put(("broke", repr(error)))
        raise

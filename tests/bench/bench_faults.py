"""Every fault of the bench's table: what is said of it, and whether it is this fault and no other.

`python -m tests.bench.bench_faults` prints the table from cards of simulated runs; `--live` runs each through a
pseudo-terminal and the link, at SPEED times the time of a real board; words after it choose faults by their titles.
"""

import sys
import time

from ground.bench.finding import NO_GO, WARNING
from ground.bench.judge import judge
from tests.bench_checks.bench_runs import Run, run_bench, run_live
from tests.bench_checks.fault_table import faults, live_s, problem

SPEED = 20.0


def main(words):
    live = "--live" in words
    wanted = [word for word in words if not word.startswith("--")]
    began, wrong = time.process_time(), 0
    print(f"{'healthy':42} {judge(run_live(Run(), SPEED) if live else run_bench()).sentence}")
    for fault in faults():
        if not live and not fault.leaves_a_card:
            continue
        if wanted and not any(word in fault.title for word in wanted):
            continue
        evidence = run_live(fault.run, SPEED, live_s(fault)) if live else run_bench(fault.run)
        judgement = judge(fault.after(evidence) if fault.after else evidence)
        amiss = problem(fault, judgement)
        wrong += bool(amiss)
        said = "; ".join(f"{one.verdict}: {one.name}: {one.measured}" for one in judgement.of(NO_GO, WARNING))
        print(f"{fault.title:42} {said or judgement.word}" + (f"\n    WRONG: {amiss}" if amiss else ""), flush=True)
    print(f"{len(faults())} faults, {wrong} told wrong; {time.process_time() - began:.0f} s of this process's time")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

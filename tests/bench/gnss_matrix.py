"""Flies every receiver behaviour once and prints what came of it: `python -m tests.bench.gnss_matrix [NAME ...]`.

Columns: the states in order; the events that name the reason; flagged fix rows; how long after the truth the board
noticed launch, burst and landing; how far the ground's times are from the truth; the largest error of the final
altitude where it came from the receiver and where it came from pressure, with the seconds of each; error and stated
uncertainty of the UTC line.
"""

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from tests.journeys.gnss_matrix import EXPECTED, Flight

_LOOKED_AT = ("gnss_identified", "gnss_limit_default", "gnss_limit_airborne", "gnss_limit_model", "gnss_limit_fixed",
              "gnss_limit_likely", "gnss_lost_high", "gnss_frozen", "gnss_jump", "gnss_time_step", "gnss_restarted",
              "gnss_model_refused", "gnss_model_wrong", "gnss_no_reply")  # fmt: skip


def line(flight):
    """One behaviour as a row of the table."""
    words = {0: "no answer", 1: "no fix", 2: "fix", 3: "limit"}
    states = " > ".join(words[a] for _, a, _ in flight.of("gnss_state"))
    said = ", ".join(f"{name[5:]} {len(flight.of(name))}" for name in _LOOKED_AT if flight.of(name))
    flags = Counter(flag for row in flight.flags for flag in row)
    heights = []
    for source in ("gnss", "pressure"):
        errors = flight.altitude_errors_m(source)
        heights.append(f"{np.abs(errors).max():.0f} m ({len(errors)} s)" if len(errors) else "-")
    boot = flight.integrity["boots"][0]
    error_ms = flight.line_error_ms()
    return (
        flight.behaviour, states, said, ", ".join(f"{name} {count}" for name, count in sorted(flags.items())) or "-",
        " / ".join(f"{value:g}" for value in flight.board_delays_s()),
        " / ".join(f"{value:g}" for value in flight.ground_errors_s()), *heights,
        f"{error_ms:.0f} of {boot['utc_uncertainty_ms']} ms",
    )  # fmt: skip


def main(names):
    """Print the table in Markdown."""
    heads = ("behaviour", "states", "events", "fix rows flagged", "board: launch / burst / landing late by [s]",
             "ground: off by [s]", "altitude from receiver", "from pressure", "UTC line")  # fmt: skip
    print("| " + " | ".join(heads) + " |\n|" + " --- |" * len(heads), flush=True)
    for name in names or EXPECTED:
        with tempfile.TemporaryDirectory() as folder:
            print("| " + " | ".join(line(Flight(Path(folder) / name, name))) + " |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])

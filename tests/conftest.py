"""What every test gets: hypothesis set so that a run repeats exactly and a failure says how to replay it."""

import os

from hypothesis import settings

os.environ.pop("THISTLEDOWN_CALLED", None)  # how the launcher was called that started the tests is nothing to them

# Derandomised: the same cases each time, drawn from the test's own code, so a red run is red again. To look further
# afield, give a seed: ./thistledown test --hypothesis-profile explore --hypothesis-seed 7 (pytest prints both).
REPLAYABLE = {"deadline": None, "database": None, "print_blob": True}
settings.register_profile("repeatable", derandomize=True, **REPLAYABLE)
settings.register_profile("explore", derandomize=False, max_examples=1000, **REPLAYABLE)
settings.load_profile("repeatable")

"""Fuzzing led by coverage, with atheris (a wheel for Linux; not in the locks, `pip install atheris` beside them).

    python -m tests.fuzz.with_atheris "file names" -max_total_time=60 [further words for libFuzzer]

The first word is a target of targets.py; its examples are the corpus to begin from. A failing input is left as a file
`crash-...` in the working folder; `python -m tests.fuzz.with_atheris TARGET crash-...` tries it again.
"""

import sys
import tempfile
from pathlib import Path


def main():
    """Hand over to libFuzzer, which ends the process."""
    import atheris

    with atheris.instrument_imports(include=["ground", "firmware", "shared_protocol", "tomllib", "json", "csv"]):
        from tests.fuzz.targets import TARGETS, run

        for module in (
            "ground.decode.pipeline",
            "ground.decode.salvage.fat_names",
            "ground.settings",
            "ground.simulator.scenario",
            "ground.simulator.sounding",
            "ground.simulator.gnss_stream",
            "firmware.core.gnss_epoch",
            "firmware.core.settings",
            "ground.report.folder",
            "ground.bench.plan",
        ):
            __import__(module)
    name, *words = sys.argv[1:]
    corpus = Path(tempfile.mkdtemp(prefix="corpus-"))
    for n, example in enumerate(TARGETS[name].examples()):
        (corpus / str(n)).write_bytes(example)
    inputs = [word for word in words if not word.startswith("-")]
    flags = [word for word in words if word.startswith("-")]
    atheris.Setup([sys.argv[0], *flags, *(inputs or [str(corpus)])], lambda data: run(name, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()

"""The log on real MicroPython's own FAT driver. The bodies stand in runs_logbook.py and run over there."""

import re
from pathlib import Path

import pytest

from tests.interpreters import micropython_path, run

BODIES = Path(__file__).with_name("runs_logbook.py").read_text()
NAMES = re.findall(r"^def ([a-z0-9_]+)\(\):", BODIES, re.MULTILINE)
HELPERS = {"writes_of_arming"}


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
@pytest.mark.parametrize("name", [name for name in NAMES if name not in HELPERS])
def test_logbook(name):
    run(f"from tests.firmware import runs_logbook\nruns_logbook.{name}()", "micropython", heap="64m")

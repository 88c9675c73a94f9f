"""The whole flight computer on real MicroPython. The bodies stand in runs_flight.py and run over there."""

import re
from pathlib import Path

import pytest

from tests.interpreters import micropython_path, run

BODIES = Path(__file__).with_name("runs_flight.py").read_text()


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
@pytest.mark.parametrize("name", re.findall(r"^def ([a-z0-9_]+)\(\):", BODIES, re.MULTILINE))
def test_flight_computer(name):
    run(f"from tests.firmware import runs_flight\nruns_flight.{name}()", "micropython", heap="64m")

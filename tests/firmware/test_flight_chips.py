"""The flight computer with BME280, TMP117 and INA226, on real MicroPython; the bodies stand in runs_chips.py."""

import re
from pathlib import Path

import pytest

from tests.interpreters import micropython_path, run

BODIES = Path(__file__).with_name("runs_chips.py").read_text()


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
@pytest.mark.parametrize("name", re.findall(r"^def ([a-z][a-z0-9_]+)\(\):", BODIES, re.MULTILINE))
def test_flight_with_the_other_chips(name):
    run(f"from tests.firmware import runs_chips\nruns_chips.{name}()", "micropython", heap="64m")

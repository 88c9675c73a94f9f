"""The second copy in flash on real MicroPython and littlefs; the bodies stand in runs_copy.py and run over there."""

import re
from pathlib import Path

import pytest

from tests.interpreters import micropython_path, run

BODIES = re.findall(r"^def ([a-z0-9_]+)\(\):", Path(__file__).with_name("runs_copy.py").read_text(), re.MULTILINE)


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
@pytest.mark.parametrize("name", BODIES)
def test_second_copy(name):
    run(f"from tests.firmware import runs_copy\nruns_copy.{name}()", "micropython", heap="64m")

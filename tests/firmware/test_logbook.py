"""The log on MicroPython's own FAT driver; the bodies stand in runs_*.py and run over there."""

import re
from pathlib import Path

import pytest

from tests.interpreters import micropython_path, run

MODULES = ("runs_logbook", "runs_logbook_trouble")
HELPERS = {"writes_of_arming"}


def bodies():
    """(module, function) of every test that runs over there."""
    for module in MODULES:
        text = Path(__file__).with_name(module + ".py").read_text()
        for name in re.findall(r"^def ([a-z0-9_]+)\(\):", text, re.MULTILINE):
            if name not in HELPERS:
                yield module, name


@pytest.mark.skipif(micropython_path() is None, reason="no MicroPython on this platform")
@pytest.mark.parametrize("module, name", list(bodies()))
def test_logbook(module, name):
    run(f"from tests.firmware import {module}\n{module}.{name}()", "micropython", heap="64m")

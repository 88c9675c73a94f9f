"""What runs on the board type-checks against the stubs of the RP2040 port and compiles for its processor."""

import importlib.metadata
import os
import subprocess
import sys
from pathlib import Path

import pytest

from ground.install.build import compile_all, lean_sources
from tests.tidy.sources import ROOT

STUBS = ("micropython-rp2-stubs", "micropython-stdlib-stubs")


@pytest.fixture(scope="module")
def typings(tmp_path_factory):
    """A folder with the stubs alone: mypy does not look for them among the installed packages."""
    folder = tmp_path_factory.mktemp("typings")
    for name in STUBS:
        distribution = importlib.metadata.distribution(name)
        for file in distribution.files or ():
            top = Path(str(file)).parts[0]
            link = folder / top
            if top not in ("..", "__pycache__") and not top.endswith(".dist-info") and not link.exists():
                link.symlink_to(Path(str(distribution.locate_file(top))))
    return folder


def test_firmware_type_checks_against_the_stubs_of_the_board(typings):
    command = [
        sys.executable, "-m", "mypy", "--config-file", "tests/tidy/mypy_firmware.ini",
        "--custom-typeshed-dir", str(typings), "--cache-dir", str(typings / "cache"),
    ]  # fmt: skip
    done = subprocess.run(
        command, cwd=ROOT, env=dict(os.environ, MYPYPATH=str(typings)), capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_everything_that_goes_onto_a_board_compiles_for_its_processor(tmp_path):
    assert compile_all(tmp_path, arch="armv6m") > 10000
    compiled = {path.relative_to(tmp_path).with_suffix(".py") for path in tmp_path.rglob("*.mpy")}
    assert compiled == set(lean_sources())
    assert Path("firmware/main.py") in compiled and Path("shared_protocol/records.py") in compiled

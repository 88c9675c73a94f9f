"""`thistledown test`: all the project's tests."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import typer

from ground.errors import InputError

PASS_EVERYTHING_ON = {"allow_extra_args": True, "ignore_unknown_options": True}


def test(context: typer.Context) -> None:
    """Run all the project's tests.

    Further words go to pytest as they are.

    \b
    Example:
      thistledown test tests/ground -k decode
    """
    root = Path(__file__).resolve().parents[2]
    if not (root / "tests").is_dir():
        raise InputError("the tests are in the project's own folder, not in an installed package; run them from there")
    if importlib.util.find_spec("pytest") is None:
        raise InputError("the packages for the tests are missing; start the tests with ./thistledown test")
    status = subprocess.call([sys.executable, "-m", "pytest", *context.args], cwd=root)
    raise typer.Exit(status)

"""Modules that come and go: in an order in which no import has to wait for another one."""

import ast
import sys
from pathlib import Path

from firmware.core import spare

ROOT = Path(__file__).parents[2]
ALWAYS_THERE = {"shared_protocol.compat", "shared_protocol.crc", "shared_protocol.events"}


def imported_by(name):
    """Modules of ours that a module imports."""
    tree = ast.parse((ROOT / (name.replace(".", "/") + ".py")).read_text())
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module.split(".")[0] in ("firmware", "shared_protocol"):
            below = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = {one for one in below if (ROOT / (one.replace(".", "/") + ".py")).exists()}
            found |= modules or {node.module}
    return found


def test_what_a_text_is_made_of_is_loaded_without_an_import_within_an_import():
    loaded = set(ALWAYS_THERE)
    for name in spare.LOG_TEXT:
        assert imported_by(name) <= loaded, name
        loaded.add(name)
    assert imported_by("firmware.core.log_arm") <= loaded
    assert imported_by("firmware.core.log_search") <= loaded


def test_loading_imports_one_after_the_other(monkeypatch, tmp_path):
    (tmp_path / "first_of_two.py").write_text("import sys\nassert 'second_of_two' not in sys.modules\n")
    (tmp_path / "second_of_two.py").write_text("import sys\nassert 'first_of_two' in sys.modules\n")
    monkeypatch.syspath_prepend(tmp_path)
    names = ("first_of_two", "second_of_two")
    spare.load(names)
    for name in names:
        monkeypatch.delitem(sys.modules, name)  # fails where it was not loaded

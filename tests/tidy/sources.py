"""The project's own files as the tidy rules look at them."""

import ast
import subprocess
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
_NOT_OURS = {".venv", ".git", "build", "dist", "flights", "__pycache__", ".hypothesis", ".pytest_cache", ".ruff_cache"}
_BINARY = {".png", ".img", ".bin", ".ubx", ".parquet", ".log", ".mpy", ".pyc", ".gz", ".zip", ".nmea", ".tnc2", ".cdf"}


@cache
def files():
    """Every file of the project, as paths from its root; those under version control where there is one."""
    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"], capture_output=True
    )
    if listed.returncode == 0:
        found = [Path(name) for name in listed.stdout.decode().split("\0") if name]
        return sorted(path for path in found if (ROOT / path).is_file())
    every = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
    return sorted(path for path in every if not _NOT_OURS & set(path.parts) and not path.name.endswith(".egg-info"))


def python_files(*folders):
    """Python files below the given folders of the root (all of them without one)."""
    return [path for path in files() if path.suffix == ".py" and (not folders or path.parts[0] in folders)]


def text_files():
    """Files that a person reads."""
    return [path for path in files() if path.suffix.lower() not in _BINARY]


def read(path):
    return (ROOT / path).read_text(encoding="utf-8", errors="replace")


def imports(path):
    """The dotted names that a file imports, wherever in it the import stands."""
    found = set()
    for node in ast.walk(ast.parse(read(path))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}, line {node.lineno}: a relative import; write the whole name"
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def top_names(path):
    return {name.split(".")[0] for name in imports(path)}

"""Check values from outside the project: published tables, data sheets, standards, reference libraries.

`data/check_values.json` gives each value its inputs, tolerance, source and how far to trust it (`status`).
"""

import json
from functools import lru_cache
from pathlib import Path


@lru_cache(maxsize=1)
def _entries():
    path = Path(__file__).parent / "data" / "check_values.json"
    return {entry["id"]: entry for entry in json.loads(path.read_text(encoding="utf-8"))["entries"]}


def check_value(name):
    """The entry called `name`; one that is only "from memory, unverified" is refused as a test oracle."""
    entry = _entries()[name]
    assert entry["status"] != "from memory, unverified", f"{name} must not be used as an oracle"
    return entry

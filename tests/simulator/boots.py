"""Small firmwares on the virtual board, and what they left on the card."""

import json
from pathlib import Path

import numpy as np

PLAIN = Path(__file__).parent / "firmwares" / "plain"
GNSS = Path(__file__).parent.parent / "data" / "gnss"
RELEASE_S = 120.0
SECTOR = 512


def firmware(tmp_path, text):
    """A folder with a firmware of these lines in main()."""
    folder = tmp_path / "own"
    (folder / "firmware").mkdir(parents=True, exist_ok=True)
    (folder / "firmware" / "__init__.py").write_text("")
    body = "\n".join("    " + line for line in text.strip().splitlines())
    start = "import gc, machine, onewire, os, time, vfs\n\n\ndef main():\n"
    (folder / "firmware" / "main.py").write_text(f"{start}{body}\n")
    return folder



def sectors(image):
    """The JSON sectors of the plain firmware's log, in the order of the card."""
    data = Path(image).read_bytes()
    found = []
    for at in range(0, len(data), SECTOR):
        if data[at : at + 1] == b"{":
            found.append(json.loads(data[at : at + SECTOR]))
    return found



def moments(result, records):
    """World time of each record. [s]"""
    starts = {number: boot["start_us"] / 1e6 for number, boot in enumerate(result.boots, 1)}
    return np.array([starts[record["boot"]] + record["t_ms"] / 1000 for record in records])



def at(world, column, seconds):
    return np.interp(seconds, np.arange(len(world.columns[column])) * 0.2, world.columns[column])


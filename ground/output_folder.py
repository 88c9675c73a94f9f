"""Where a command may write: never over somebody's work without being told to."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ground.errors import InputError


def claim(folder: Path, *, force: bool) -> None:
    """Make `folder`, or refuse it.

    Parameters
    ----------
    folder : Path
    force : bool
        Take a folder that already holds something. What is in it stays, except for the files that the command writes.

    Raises
    ------
    InputError
        If the folder is a file, holds something and `force` is not given, or cannot be made.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder to write into")
    held = sorted(entry.name for entry in folder.iterdir()) if folder.is_dir() else []
    if held and not force:
        raise InputError(
            f"{folder} already holds {_some(held)}; name another folder, or add --force to write over them"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be made ({error.strerror}); name another folder") from None


def claim_file(path: Path, *, force: bool) -> None:
    """Refuse a file that is there already (without `force`), is a folder, or has no folder to be in.

    Raises
    ------
    InputError
    """
    if path.is_dir():
        raise InputError(f"{path} is a folder; name a file to write")
    if path.exists() and not force:
        raise InputError(f"{path} is there already; name another file, or add --force to write over it")
    if not path.parent.is_dir():
        raise InputError(f"{path}: there is no folder {path.parent}; make it first, or name another file")


@contextmanager
def taken_back_if_refused(folder: Path) -> Iterator[None]:
    """Take a folder away again that the work made and then could not fill: bad input, or the stop key."""
    was_there = folder.exists()
    try:
        yield
    except (InputError, KeyboardInterrupt):
        if not was_there:
            shutil.rmtree(folder, ignore_errors=True)
        raise


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"

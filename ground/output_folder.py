"""Where a command may write: never over somebody's work without being told to."""

from pathlib import Path

from ground.errors import InputError


def claim(folder: Path, *, force: bool, may_hold: frozenset[str] = frozenset()) -> None:
    """Make `folder`, or refuse it.

    Parameters
    ----------
    folder : Path
    force : bool
        Take a folder that already holds something. What is in it stays, except for the files that the command writes.
    may_hold : frozenset of str
        Names that are no reason to refuse.

    Raises
    ------
    InputError
        If the folder is a file, or holds something and `force` is not given.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder to write into")
    held = sorted(entry.name for entry in folder.iterdir() if entry.name not in may_hold) if folder.is_dir() else []
    if held and not force:
        raise InputError(
            f"{folder} already holds {_some(held)}; name another folder, or add --force to write over them"
        )
    folder.mkdir(parents=True, exist_ok=True)


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"

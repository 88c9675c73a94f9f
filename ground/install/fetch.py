"""The second copy of a flight out of the board's flash, over its USB cable: read, checked, and put into a folder."""

from functools import partial
from hashlib import sha256

from ground.errors import InputError
from ground.output_folder import claim
from shared_protocol.second_copy import FOLDER

_TRIES = 2


def fetch(port, out_dir, *, say=print, progress=lambda share, text: None, name=None):
    """Copy the board's second copy into `out_dir`/copy; a file that is there already and the same is kept.

    Parameters
    ----------
    port : str
    out_dir : Path
        `thistledown decode` takes it as it is.
    say, progress : callable
        say(line) and progress(share, text).
    name : str, optional
        What to call the board in place of its port.

    Returns
    -------
    list of Path
        The files, oldest number first.

    Raises
    ------
    InputError
        No copy on the board, a board lost on the way (what came is kept), a folder with other files of these names.
    """
    from ground.bench.link_port import open_port
    from ground.decode.salvage.source import PART_NAME
    from ground.install.board_files import BoardFiles

    open_port(port).close()  # whoever mistyped it should not have to wait
    progress(0.0, "looking at the board")
    with BoardFiles(port, again="fetch again, what came is kept") as board:
        # a name of any other kind must not become a path on this computer
        there = {path: about for path, about in board.tree(FOLDER).items() if PART_NAME.fullmatch(path)}
        if not there:
            raise InputError(
                f"{name or port}: no second copy on this board (its folder {FOLDER} is not there, or empty); "
                "is it the board that flew?"
            )
        board.keep_watchdog()
        total = sum(size for _digest, size in there.values())
        say(f"{name or port}: {len(there)} files of the second copy, {total / 1024:.0f} KiB.")
        folder = out_dir / FOLDER
        claim(folder, force=True)
        _refuse_others(folder, there)
        files, done = [], 0
        for path, (digest, size) in sorted(there.items()):
            goal = folder / path
            if not goal.exists():
                shown = partial(_shown, progress, done, total)
                _write(goal, _received(board, path, digest, shown))
            done += size
            files.append(goal)
        board.restart()
    say(f"All of it is in {folder}, every file with the board's own check sum.")
    return files


def _shown(progress, before, total, part):
    progress((before + part) / max(total, 1), "reading")


def _refuse_others(folder, there):
    """A file of a name that the board has too must be the board's: nothing of another flight is written over."""
    for path, (digest, _size) in there.items():
        if (folder / path).exists() and sha256((folder / path).read_bytes()).hexdigest() != digest:
            raise InputError(f"{folder / path}: is there already and differs from the board's; name another folder")


def _received(board, path, digest, shown):
    for _ in range(_TRIES):
        data = board.receive(f"{FOLDER}/{path}", shown)
        if sha256(data).hexdigest() == digest:
            return data
    raise InputError(
        f"{board.name}: {path} came garbled {_TRIES} times; try another cable and fetch again, what came is kept"
    )


def _write(goal, data):
    """Whole or not at all."""
    begun = goal.with_suffix(".part")
    try:
        begun.write_bytes(data)
        begun.replace(goal)
    except OSError as error:
        begun.unlink(missing_ok=True)
        raise InputError(f"{goal}: cannot be written ({error.strerror or error}); name another folder") from None

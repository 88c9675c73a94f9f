"""What the user pointed at: a log file, a card's folder, an image, a flash dump or a capture, told apart by looking.

A folder is taken file by file (folder.py); a file is searched (search.py), where it can be as it was before something
on its way changed it. A dump with addresses (addressed.py) shows at its beginning; a terminal that replaced bytes
(put_back.py) leaves many that are whole; another order or way of writing (written_otherwise.py) leaves none, so that is
looked for last.
"""

import stat
import tempfile
from pathlib import Path

from ground.decode.frames.records import read
from ground.decode.salvage.addressed import laid_out
from ground.decode.salvage.folder import open_folder
from ground.decode.salvage.put_back import put_back
from ground.decode.salvage.search import Subject, search
from ground.decode.salvage.source import GIVE, NothingThere, mapped_file, reason, unreadable
from ground.decode.salvage.written_otherwise import as_it_was
from ground.errors import InputError

_CHANGED_MAX = 64 << 20  # bytes of a file that may have come through a terminal, a mail or an editor


def open_source(path, progress=None):
    """Look at `path` and take from it what may hold records, as Source.

    Raises
    ------
    InputError
        One line, if there is nothing of ours.
    """
    path = Path(path)
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        raise InputError(f"{path}: no such file or folder; check the path, or {GIVE}") from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be looked at ({reason(error)}); {GIVE}") from None
    if stat.S_ISDIR(mode):
        return open_folder(path)
    if stat.S_ISBLK(mode) or stat.S_ISCHR(mode):
        raise InputError(
            f"{path}: is a device; make an image of the card first and decode that copy "
            f"(`dd if={path} of=card.img bs=1M`; if it stops at a read error: `ddrescue {path} card.img card.map`; "
            "elsewhere: any program that makes an image of a card), then put the card away"
        )
    if stat.S_ISFIFO(mode):
        raise InputError(f"{path}: is a pipe; save what comes out of it as a file and give that")
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is neither a file nor a folder; {GIVE}")
    return _file(path, progress)


def _file(path, progress):
    size = path.stat().st_size
    if size == 0:
        raise NothingThere(path, "the file is empty", f"copy it from the card again, or {GIVE}")
    try:
        with open(path, "rb") as handle:
            return _as_it_was(Subject(path, path.name, handle, size), progress)
    except OSError as error:
        raise unreadable(path, error) from None


def _as_it_was(subject, progress):
    may_be_changed = subject.size <= _CHANGED_MAX
    dump = laid_out(mapped_file(subject.path)) if may_be_changed else None
    restored = dump and _restored(subject, *dump)
    if restored:
        return restored
    changed = put_back(mapped_file(subject.path)) if may_be_changed else None
    restored = changed and _restored(subject, changed.raw, changed.change)
    if restored and changed.everywhere:
        return restored
    try:
        found = search(subject, progress)
    except NothingThere:
        written = as_it_was(mapped_file(subject.path)) if may_be_changed and not restored else None
        restored = restored or (written and _restored(subject, *written))
        if not restored:
            raise
        return restored
    # text between frames ends its lines like that by itself
    return max(found, restored, key=_frame_count) if restored else found


def _restored(subject, raw, change):
    """What a file's bytes hold as they were before they were changed; None if nothing of ours."""
    with tempfile.NamedTemporaryFile() as handle:
        handle.write(raw)
        handle.flush()
        try:
            source = search(Subject(Path(handle.name), subject.name, handle, len(raw)))
        except NothingThere:
            return None
    source.changes.append(f"{subject.name}: {change}")
    return source


def _frame_count(source):
    return sum(boot.frames for boot in read(source.buffers, source.pairs).boots)

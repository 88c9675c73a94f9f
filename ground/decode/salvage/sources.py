"""What the user pointed at: a log file, a card's folder, an image, a flash dump or a capture, told apart by looking.

An image is not read through its file system: a sector of a log says itself what it is, so the whole image is searched
for the sector mark, at one comparison per 512 bytes and only where the file has data at all (`carve.py`). That finds
every log, also deleted ones, and needs no intact FAT. Where a file is small, or a stretch of it holds no sector on a
block boundary, every byte is looked at. Names of log files are taken from the FAT where it can be read.
"""

import re
import stat
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ground.decode.frames.records import read
from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.salvage import carve, endings, gather, littlefs, nameless
from ground.decode.salvage.extents import data_extents, merged, without
from ground.decode.salvage.log_head import first_log_id, holds_header
from ground.decode.salvage.put_back import put_back
from ground.decode.salvage.strangers import looks_like
from ground.decode.salvage.written_otherwise import as_it_was
from ground.errors import InputError
from shared_protocol.second_copy import FOLDER

LOG_NAME = re.compile(r"TD[0-9]{6}\.LOG", re.IGNORECASE)
PART_NAME = re.compile(r"part\d{3,6}\.log", re.IGNORECASE)  # of the second copy, see shared_protocol/second_copy.py
_WHOLE_BYTES_MAX = 256 << 20  # up to here every byte is looked at, beyond only stretches without a sector in place
_AT_ONCE_MAX = 256 << 20  # bytes of sectors up to which all logs are decoded together, beyond one by one
_PART = 32 << 20  # bytes in which frames without a header are looked for together
_FLASH_MAX = 64 << 20  # bytes of a chip on a board
_STEP = "give a log file (TD000001.LOG), a card's folder or an image of a card"


class NothingThere(InputError):
    """A source that can be read and holds no record of ours; `what`: that, without the advice."""

    def __init__(self, path, what, advice):
        super().__init__(f"{path}: {what}; {advice}")
        self.what = what


@dataclass
class Source:
    """Bytes to decode.

    Attributes
    ----------
    kind : str
        "log", "folder", "image", "flash" (with littlefs) or "capture" (frames and text, no sectors).
    buffers : list of (numpy.ndarray, numpy.ndarray or None)
        Data and, where it was gathered from several places, which block is followed by its neighbour. Empty where
        `by_log` has them.
    names : list of str
        Where each buffer comes from.
    bytes_read : int
    files : list of dict
        Log files named by the file system: name, log_id or None.
    by_log : dict of int to callable
        Where the logs are too many to be held together: by log id, what gives the buffers of that one.
    endings : list of endings.Ending
        Where images and log files end, and where they should.
    changes : list of str
        What had been done to the bytes on their way, and was undone.
    nameless : list of nameless.Boot
        Boots that no header names.
    """

    kind: str
    buffers: list
    names: list
    bytes_read: int
    files: list = field(default_factory=list)
    by_log: dict = field(default_factory=dict)
    endings: list = field(default_factory=list)
    changes: list = field(default_factory=list)
    nameless: list = field(default_factory=list)

    @property
    def pairs(self):
        """Log id and boot of each that is nameless."""
        return [(one.log_id, one.boot) for one in self.nameless]


def open_source(path, progress=None):
    """Look at `path` and take from it what may hold records.

    Raises
    ------
    InputError
        One line, if there is nothing of ours.
    """
    path = Path(path)
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as error:
        if isinstance(error, FileNotFoundError):
            raise InputError(f"{path}: no such file or folder; check the path, or {_STEP}") from None
        raise InputError(f"{path}: cannot be looked at ({_reason(error)}); {_STEP}") from None
    if stat.S_ISDIR(mode):
        return _folder(path, progress)
    if stat.S_ISBLK(mode) or stat.S_ISCHR(mode):
        raise InputError(
            f"{path}: is a device; make an image of the card first and decode that copy "
            f"(`dd if={path} of=card.img bs=1M`; if it stops at a read error: `ddrescue {path} card.img card.map`; "
            "elsewhere: any program that makes an image of a card), then put the card away"
        )
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is neither a file nor a folder; {_STEP}")
    return _file(path, progress)


def _reason(error):
    return getattr(error, "strerror", None) or str(error)


def _readable(error):
    """What to do so that a file can be read."""
    if isinstance(error, PermissionError):
        return "take the right to read it, or have it copied to a folder of your own"
    return "copy it to a disk that works and try again"


def _mapped(path, size=None):
    """The file's bytes, or its first `size`, without reading them."""
    try:
        size = path.stat().st_size if size is None else size
        if size == 0:
            return np.empty(0, np.uint8)
        return np.memmap(path, dtype=np.uint8, mode="r", shape=(size,)).view(np.ndarray)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({_reason(error)}); {_readable(error)}") from None


def _folder(path, progress):
    try:
        entries = _files_like(LOG_NAME, path) + _files_like(PART_NAME, path)
        copy = path / FOLDER
        if copy.is_dir():
            entries += _files_like(PART_NAME, copy)
    except OSError as error:
        raise InputError(f"{path}: folder cannot be read ({_reason(error)}); {_readable(error)}") from None
    source = Source("folder", [], [], 0)
    for entry in entries:
        data = _mapped(entry)
        if LOG_NAME.fullmatch(entry.name):
            source.files.append({"name": entry.name, "log_id": first_log_id(data)})
            source.endings.append(endings.of_file(entry.name, entry, len(data), is_image=False))
        if len(data):
            source.buffers.append((_real_part(entry, data), None))
            source.names.append(entry.name)
            source.bytes_read += len(data)
    if not entries:
        images = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in (".img", ".bin", ".dd"))
        instead = f"did you mean {path / images[0]}?" if images else "give the card's own top folder"
        raise NothingThere(path, "no log in this folder (TD000001.LOG and the like)", instead)
    if not any(holds_header(data) for data, _joined in source.buffers):
        if source.bytes_read <= _AT_ONCE_MAX:
            source.nameless = nameless.boots(
                data[at : at + _PART] for data, _joined in source.buffers for at in range(0, len(data), _PART)
            )
        if source.nameless:
            return source
        raise NothingThere(
            path,
            "the log files in this folder hold no records",
            "make an image of the card and decode that, it finds what the file system hides",
        )
    return source


def _files_like(pattern, folder):
    return sorted(entry for entry in folder.iterdir() if pattern.fullmatch(entry.name) and entry.is_file())


def _file(path, progress):
    size = path.stat().st_size
    if size == 0:
        raise NothingThere(path, "the file is empty", f"copy it from the card again, or {_STEP}")
    try:
        with open(path, "rb") as handle:
            return _carved(path, handle, size, progress)
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({_reason(error)}); {_readable(error)}") from None


def _carved(path, handle, size, progress):
    changed = put_back(_mapped(path)) if size <= _FLASH_MAX else None
    restored = changed and _restored(path, changed.raw, changed.change)
    if not restored:
        return _searched_as_it_was(path, handle, size, progress)
    if changed.everywhere:
        return restored
    try:  # text between frames ends its lines like that by itself
        return max(_searched(path, handle, size, progress), restored, key=_frame_count)
    except NothingThere:
        return restored


def _searched_as_it_was(path, handle, size, progress):
    try:
        return _searched(path, handle, size, progress)
    except NothingThere:
        written = as_it_was(_mapped(path)) if size <= _FLASH_MAX else None
        restored = written and _restored(path, *written)
        if not restored:
            raise
        return restored


def _frame_count(source):
    return sum(boot.frames for boot in read(source.buffers, source.pairs).boots)


def _searched(path, handle, size, progress):
    extents = data_extents(path, size)
    total = sum(last - first for first, last in extents)
    say = (lambda done: progress("looking for sectors", done, total)) if progress else None
    runs = carve.runs(handle, extents, say)
    small = total <= _WHOLE_BYTES_MAX
    rest = gather.unexplained(extents, runs, small or gather.lacks_pieces(runs), size)
    left = sum(last - first for first, last in rest)
    say = (lambda done: progress("looking at every byte of the rest", done, left)) if progress else None
    intervals, headers = carve.frames_anywhere(handle, rest, say)
    unnamed = _unnamed(handle, runs, headers, intervals, size)
    log_ids = {*runs["log_id"].tolist(), *headers["log_id"].tolist(), *(one.log_id for one in unnamed)}
    if len(runs) == 0 and len(headers) == 0:
        if unnamed:
            files = _files_by_fat(path, log_ids)
            buffers = gather.buffers(handle, intervals, 0, size, False)
            return Source("capture", buffers, [path.name], total, files, nameless=unnamed)
        lost = "; frames may be in it, but no sector header, which names the log they are of" if intervals else ""
        guess = looks_like(_mapped(path, min(size, 1 << 20)))
        cut = endings.cut_advice(path, size)
        step = f"{cut}, and the log may lie behind the cut: copy the whole card again" if cut else _STEP
        raise NothingThere(path, f"{guess}no Thistledown log in it{lost}", step)
    if small and len(runs) and (LOG_NAME.fullmatch(path.name) or _looks_like_log(runs)):
        data = _mapped(path, extents[-1][1])  # without the hole behind its end: armed files are made at full size
        if PART_NAME.fullmatch(path.name):
            return Source("log", [(data, None)], [path.name], size, nameless=unnamed)
        ending = endings.of_file(path.name, path, size, is_image=False)
        files = [{"name": path.name, "log_id": int(runs["log_id"][0])}]
        return Source("log", [(data, None)], [path.name], size, files, endings=[ending], nameless=unnamed)
    many = int(runs["count"].sum()) * SECTOR_SIZE > _AT_ONCE_MAX
    flash = None if many else _of_flash(path, handle, extents, headers, size)
    if flash:
        return _flash(path, handle, flash, merged(gather.around(runs, size) + intervals), log_ids, unnamed)
    kind, phase = gather.layout(runs, headers)
    source = Source(kind, [], [path.name], total, _files_by_fat(path, log_ids), nameless=unnamed)
    if kind == "image":
        source.endings.append(endings.of_file(path.name, path, size, is_image=True))
    if many:
        source.by_log = gather.log_by_log(path, size, runs, headers, intervals)
    else:
        near = gather.around(runs, size)
        source.buffers = gather.buffers(handle, near + intervals, phase, size, kind != "capture")
    return source


def _of_flash(path, handle, extents, headers, size):
    """Files of flash file systems, which cut sectors in two: of a large image only where some are out of place."""
    if size <= _FLASH_MAX:
        return littlefs.contents(_mapped(path))
    return littlefs.contents_within(handle, extents, size) if (headers["offset"] % SECTOR_SIZE).any() else None


def _unnamed(handle, runs, headers, intervals, size):
    """Boots that no header names, by the frames in the stretches that may hold some."""
    if not intervals or sum(last - first for first, last in intervals) > _AT_ONCE_MAX:
        return []
    known = {pair for named in (runs, headers) for pair in np.unique(named[["log_id", "boot"]]).tolist()}
    return nameless.boots(gather.in_parts(handle, intervals, size, _PART), known)


def _restored(path, raw, change):
    """A capture or log as it was before a terminal changed it; None if there is none of ours in it."""
    with tempfile.TemporaryFile() as handle:
        handle.write(raw)
        handle.flush()
        everything = [(0, len(raw))]
        runs = carve.runs(handle, everything)
        intervals, headers = carve.frames_anywhere(handle, gather.unexplained(everything, runs, True, len(raw)))
        unnamed = _unnamed(handle, runs, headers, intervals, len(raw))
        if len(runs) == 0 and len(headers) == 0 and not unnamed:
            return None
        kind, phase = gather.layout(runs, headers) if len(runs) or len(headers) else ("capture", 0)
        near = gather.around(runs, len(raw))
        buffers = gather.buffers(handle, near + intervals, phase, len(raw), kind != "capture")
    kind = "log" if len(runs) and _looks_like_log(runs) else kind
    files = [{"name": path.name, "log_id": first_log_id(np.frombuffer(raw, np.uint8))}] if kind == "log" else []
    return Source(kind, buffers, [path.name], len(raw), files, changes=[f"{path.name}: {change}"], nameless=unnamed)


def _flash(path, handle, flash, intervals, log_ids, unnamed):
    """Chains of blocks that a file system scattered, and apart from them what lies outside of any."""
    size = path.stat().st_size
    streams, taken = flash
    files = _files_by_fat(path, log_ids) if size > _FLASH_MAX else []
    source = Source("flash", [(stream, None) for stream in streams], [path.name], size, files, nameless=unnamed)
    source.buffers += gather.buffers(handle, without(gather.on_blocks(intervals, 0, size), taken), 0, size)
    return source


def _looks_like_log(runs):
    """Whether sector k mostly stands at block k, as in a log file and nowhere else."""
    in_place = runs["count"][runs["sector"] == runs["block"]].sum()
    return bool(2 * in_place > runs["count"].sum()) or int(runs["block"][0]) == 0


def _real_part(path, data):
    """A log without the hole behind its end: armed files are created at full size and never filled."""
    extents = data_extents(path, len(data))
    return data[: extents[-1][1]] if extents else data[:0]


def _files_by_fat(path, log_ids):
    """Names of the logs in the image's file system, as far as it can be read; an unreadable one is no error here.

    A single file whose beginning names no log is the single one of the `log_ids` found that no other file is.
    """
    from ground.decode.salvage.fat_names import log_files

    files = log_files(path, LOG_NAME)
    unread = [file for file in files if file["log_id"] is None]
    left = set(log_ids) - {file["log_id"] for file in files}
    if len(unread) == len(left) == 1:
        unread[0]["log_id"] = left.pop()
    return files

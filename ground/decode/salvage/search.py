"""Where the logs are in one file, and what kind of file that makes it.

An image is not read through its file system: a sector of a log says itself what it is, so the whole image is searched
for the sector mark, at one comparison per 512 bytes and only where the file has data at all (`carve.py`). That finds
every log, also deleted ones, and needs no intact FAT. Where a file is small, or a stretch of it holds no sector on a
block boundary, every byte is looked at. Names of log files are taken from the FAT where it can be read.
"""

from pathlib import Path
from typing import BinaryIO, NamedTuple

import numpy as np

from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.salvage import carve, endings, gather, littlefs, nameless
from ground.decode.salvage.extents import data_extents, merged, without
from ground.decode.salvage.fat_names import log_files
from ground.decode.salvage.kinds import is_of_second_copy, sector_phase
from ground.decode.salvage.samples import Samples
from ground.decode.salvage.source import GIVE, LOG_NAME, PART_NAME, NothingThere, Source, mapped_file
from ground.decode.salvage.strangers import looks_like
from ground.decode.salvage.volume_size import claimed_size

_WHOLE_BYTES_MAX = 256 << 20  # up to here every byte is looked at, beyond only stretches without a sector in place
_AT_ONCE_MAX = 256 << 20  # bytes of sectors up to which all logs are decoded together, beyond one by one
_PART = 32 << 20  # bytes in which frames without a header are looked for together
_FLASH_MAX = 64 << 20  # bytes of a chip on a board


class Subject(NamedTuple):
    """A file to be searched: where it lies, what the user calls it, its bytes."""

    path: Path
    name: str
    handle: BinaryIO
    size: int


class _Found(NamedTuple):
    """Where in a file something of ours is; see carve.py."""

    extents: list
    runs: np.ndarray
    headers: np.ndarray
    intervals: list
    unnamed: list

    @property
    def log_ids(self):
        named = {*self.runs["log_id"].tolist(), *self.headers["log_id"].tolist()}
        return named | {one.log_id for one in self.unnamed}

    @property
    def data_size(self):
        return sum(last - first for first, last in self.extents)


def search(subject, progress=None):
    """What a file holds, as Source.

    Raises
    ------
    NothingThere
    """
    found = _look(subject, progress)
    if len(found.runs) == 0 and len(found.headers) == 0:
        return _without_headers(subject, found)
    is_small = found.data_size <= _WHOLE_BYTES_MAX
    if is_small and len(found.runs) and (LOG_NAME.fullmatch(subject.name) or _looks_like_log(found.runs)):
        return _log(subject, found)
    is_large = int(found.runs["count"].sum()) * SECTOR_SIZE > _AT_ONCE_MAX
    flash = None if is_large else _of_flash(subject, found)
    return _flash(subject, found, flash) if flash else _image(subject, found, is_large)


def _look(subject, progress):
    handle, size = subject.handle, subject.size
    extents = data_extents(subject.path, size)
    total = sum(last - first for first, last in extents)
    say = (lambda done: progress("looking for sectors", done, total)) if progress else None
    samples = Samples() if total > _WHOLE_BYTES_MAX else None
    runs = carve.runs(handle, extents, say, samples)
    if samples is None or gather.lacks_pieces(runs):
        rest = gather.unexplained(extents, runs, True, size)
    else:
        rest = gather.unexplained(extents, runs, False, size)
        rest = merged(rest + gather.unexplained(samples.stretches(size), runs, True, size))
    left = sum(last - first for first, last in rest)
    say = (lambda done: progress("looking at every byte of the rest", done, left)) if progress else None
    intervals, headers = carve.frames_anywhere(handle, rest, say)
    return _Found(extents, runs, headers, intervals, _unnamed(handle, runs, headers, intervals, size))


def _unnamed(handle, runs, headers, intervals, size):
    """Boots that no header names, by the frames in the stretches that may hold some."""
    if not intervals or sum(last - first for first, last in intervals) > _AT_ONCE_MAX:
        return []
    known = {pair for named in (runs, headers) for pair in np.unique(named[["log_id", "boot"]]).tolist()}
    return nameless.boots(gather.in_parts(handle, intervals, size, _PART), known)


def _without_headers(subject, found):
    """Frames alone, whose checksums say whose they are."""
    handle, size = subject.handle, subject.size
    if not found.unnamed:
        lost = "; frames may be in it, but no sector header, which names the log they are of" if found.intervals else ""
        stranger = looks_like(subject.path, mapped_file(subject.path, min(size, 1 << 20)), size)
        step = stranger.step or GIVE
        if cut := endings.cut_advice(subject.path, size):
            step = f"{cut}, and the log may lie behind the cut: copy the whole card again"
        raise NothingThere(subject.path, f"{stranger.what}no Thistledown log in it{lost}", step)
    source = Source("capture", [], [subject.name], found.data_size, nameless=found.unnamed)
    source.files = _files_by_fat(subject.path, found.log_ids)
    source.buffers = gather.buffers(handle, found.intervals, 0, size, False)
    phase = sector_phase(source.buffers, source.pairs)
    if phase is not None:
        source.kind = "torn"
        source.buffers = gather.buffers(handle, found.intervals, phase, size)
        source.endings.append(endings.of_file(subject.name, subject.path, size, is_image=True))
    return source


def _looks_like_log(runs):
    """Whether sector k mostly stands at block k, as in a log file and nowhere else."""
    in_place = runs["count"][runs["sector"] == runs["block"]].sum()
    return bool(2 * in_place > runs["count"].sum()) or int(runs["block"][0]) == 0


def _log(subject, found):
    data = mapped_file(subject.path, found.extents[-1][1])  # without the hole behind its end, see folder.py
    source = Source("log", [(data, None)], [subject.name], subject.size, nameless=found.unnamed)
    if not PART_NAME.fullmatch(subject.name):
        source.endings.append(endings.of_file(subject.name, subject.path, subject.size, is_image=False))
        source.files.append({"name": subject.name, "log_id": int(found.runs["log_id"][0])})
    return source


def _of_flash(subject, found):
    """Files of flash file systems, which cut sectors in two: of a large image only where some are out of place."""
    if subject.size <= _FLASH_MAX:
        return littlefs.contents(mapped_file(subject.path))
    is_apart = (found.headers["offset"] % SECTOR_SIZE).any()
    return littlefs.contents_within(subject.handle, found.extents, subject.size) if is_apart else None


def _flash(subject, found, flash):
    """Chains of blocks that a file system scattered, and apart from them what lies outside of any."""
    size, (streams, taken) = subject.size, flash
    files = _files_by_fat(subject.path, found.log_ids) if size > _FLASH_MAX else []
    buffers = [(stream, None) for stream in streams]
    source = Source("flash", buffers, [subject.name], size, files, nameless=found.unnamed)
    intervals = gather.on_blocks(merged(gather.around(found.runs, size) + found.intervals), 0, size)
    source.buffers += gather.buffers(subject.handle, without(intervals, taken), 0, size)
    return source


def _image(subject, found, is_large):
    handle, size = subject.handle, subject.size
    kind, phase = gather.layout(found.runs, found.headers)
    source = Source(kind, [], [subject.name], found.data_size, nameless=found.unnamed)
    source.files = _files_by_fat(subject.path, found.log_ids)
    if kind == "image":
        source.endings.append(endings.of_file(subject.name, subject.path, size, is_image=True))
        if not source.files and not claimed_size(subject.path):
            source.kind = "chip" if is_of_second_copy(handle, found.runs, found.headers) else "bare"
    if is_large:
        source.by_log = gather.log_by_log(subject.path, size, found.runs, found.headers, found.intervals)
    else:
        near = gather.around(found.runs, size)
        source.buffers = gather.buffers(handle, near + found.intervals, phase, size, kind != "capture")
    return source


def _files_by_fat(path, log_ids):
    """Names of the logs in the image's file system, as far as it can be read; an unreadable one is no error here.

    A single file whose beginning names no log is the single one of the `log_ids` found that no other file is.
    """
    files = log_files(path, LOG_NAME)
    unread = [file for file in files if file["log_id"] is None]
    left = set(log_ids) - {file["log_id"] for file in files}
    if len(unread) == len(left) == 1:
        unread[0]["log_id"] = left.pop()
    return files

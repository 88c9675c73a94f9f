"""What the user pointed at: a log file, a card's folder or a raw image, told apart by looking, never by name alone.

An image is not read through its file system: a sector of a log says itself what it is, so the whole image is searched
for the sector mark, at one comparison per 512 bytes and only where the file has data at all. That finds every log, also
deleted ones, and needs no intact FAT. Names of log files are taken from the FAT where it can be read.
"""

import os
import re
import stat
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ground.decode.sectors import header_rows, marked_blocks
from ground.decode.wire import SECTOR_SIZE
from ground.errors import InputError
from shared_protocol.frame import HEADER_SIZE, sector_mark

LOG_NAME = re.compile(r"TD\d{6}\.LOG", re.IGNORECASE)
_WHOLE_BYTES_MAX = 256 << 20  # up to here every byte is looked at, beyond only the surroundings of sectors
_NEIGHBOURS = 8  # blocks on either side of a sector that may be sectors with a hurt header
_CHUNK = 64 << 20
_STEP = "give a log file (TD000001.LOG), a card's folder or an image of a card"


@dataclass
class Source:
    """Bytes to decode.

    Attributes
    ----------
    kind : str
        "log", "folder" or "image".
    buffers : list of (numpy.ndarray, numpy.ndarray or None)
        Data and, where it was gathered from several places, which block is followed by its neighbour.
    names : list of str
        Where each buffer comes from.
    bytes_read : int
    files : list of dict
        Log files named by the file system: name, log_id or None.
    """

    kind: str
    buffers: list
    names: list
    bytes_read: int
    files: list = field(default_factory=list)


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
            f"{path}: is a device; make an image of the card first (`dd if={path} of=card.img bs=4M "
            "conv=noerror,sync`, or ddrescue if it has read errors) and decode that copy"
        )
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is neither a file nor a folder; {_STEP}")
    return _file(path, progress)


def _reason(error):
    return getattr(error, "strerror", None) or str(error)


def _mapped(path):
    """The file's bytes without reading them."""
    try:
        size = path.stat().st_size
        return np.memmap(path, dtype=np.uint8, mode="r").view(np.ndarray) if size else np.empty(0, np.uint8)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({_reason(error)}); copy it to a disk that works and try again"
        ) from None


def _folder(path, progress):
    try:
        entries = sorted(entry for entry in path.iterdir() if LOG_NAME.fullmatch(entry.name) and entry.is_file())
    except OSError as error:
        raise InputError(
            f"{path}: folder cannot be read ({_reason(error)}); copy the card's files and try again"
        ) from None
    source = Source("folder", [], [], 0)
    for entry in entries:
        data = _mapped(entry)
        log_id = first_log_id(data)
        source.files.append({"name": entry.name, "log_id": log_id})
        if len(data):
            source.buffers.append((_real_part(entry, data), None))
            source.names.append(entry.name)
            source.bytes_read += len(data)
    if not entries:
        images = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in (".img", ".bin", ".dd"))
        instead = f"; did you mean {path / images[0]}?" if images else "; give the card's own top folder"
        raise InputError(f"{path}: no log in this folder (TD000001.LOG and the like){instead}")
    if not any(_holds_sectors(data) for data, _joined in source.buffers):
        raise InputError(
            f"{path}: the log files in this folder hold no records; "
            "make an image of the card and decode that, it finds what the file system hides"
        )
    return source


def _file(path, progress):
    data = _mapped(path)
    if len(data) == 0:
        raise InputError(f"{path}: the file is empty; copy it from the card again, or {_STEP}")
    extents = data_extents(path, len(data))
    sectors = _intact_sectors(data, extents, progress)
    if len(sectors) == 0:
        if len(data) <= _WHOLE_BYTES_MAX and _has_loose_header(data):
            return Source("log", [(data, None)], [path.name], len(data))  # shifted by lost bytes
        raise InputError(f"{path}: {_guess(data)}no Thistledown log in it; {_STEP}")
    if LOG_NAME.fullmatch(path.name) or _looks_like_log(data, sectors):
        files = [{"name": path.name, "log_id": first_log_id(data)}]
        return Source("log", [(_real_part(path, data, extents), None)], [path.name], len(data), files)
    gathered, joined = _gathered(data, _with_neighbours(sectors, -(-len(data) // SECTOR_SIZE)))
    read = sum(last - first for first, last in extents)
    return Source("image", [(gathered, joined)], [path.name], read, _files_by_fat(path))


def data_extents(path, size):
    """Stretches of the file that hold data, as (first, last + 1) on block boundaries; holes are never read."""
    if not hasattr(os, "SEEK_DATA"):
        return [(0, size)]
    extents, at = [], 0
    with open(path, "rb") as handle:
        while at < size:
            try:
                first = os.lseek(handle.fileno(), at, os.SEEK_DATA)
                last = os.lseek(handle.fileno(), first, os.SEEK_HOLE)
            except OSError:  # ENXIO: nothing but a hole up to the end; others: a file system that cannot tell
                if not extents and at == 0 and _any_byte(handle, size):
                    return [(0, size)]
                break
            first = first // SECTOR_SIZE * SECTOR_SIZE
            last = min(-(-last // SECTOR_SIZE) * SECTOR_SIZE, size)
            extents.append((first, last))
            at = last
    return extents


def _any_byte(handle, size):
    handle.seek(0)
    return any(handle.read(min(size, 4096)))


def _intact_sectors(data, extents, progress):
    """Block numbers, rising, of sectors whose header holds."""
    numbers = []
    total = sum(last - first for first, last in extents) or 1
    done = 0
    for first, last in extents:
        for begin in range(first, last, _CHUNK):
            end = min(begin + _CHUNK, last)
            marked = marked_blocks(data[begin:end])
            _rows, intact = header_rows(data[begin:end], marked * SECTOR_SIZE)
            numbers.append(marked[intact] + begin // SECTOR_SIZE)
            if end - begin > HEADER_SIZE and (end - begin) % SECTOR_SIZE > HEADER_SIZE:
                numbers.append(_cut_sector(data, end))
            done += end - begin
            if progress:
                progress(done / total)
    return np.concatenate(numbers) if numbers else np.empty(0, np.int64)


def _cut_sector(data, end):
    """The number of the cut last block if its header is there."""
    begin = end // SECTOR_SIZE * SECTOR_SIZE
    _rows, intact = header_rows(data[begin:end], np.array([0]))
    return np.array([begin // SECTOR_SIZE]) if intact[0] else np.empty(0, np.int64)


def _looks_like_log(data, sectors):
    """Whether sector k mostly stands at block k, as in a log file and nowhere else."""
    starts = sectors[(sectors + 1) * SECTOR_SIZE <= len(data)] * SECTOR_SIZE
    if len(starts) == 0:
        return True
    rows, _intact = header_rows(data, starts)
    return bool(np.mean(rows["sector"] == starts // SECTOR_SIZE) > 0.5) or int(starts[0]) == 0


def _real_part(path, data, extents=None):
    """A log without the hole behind its end: armed files are created at full size and never filled."""
    extents = data_extents(path, len(data)) if extents is None else extents
    return data[: extents[-1][1]] if extents else data[:0]


def _holds_sectors(data):
    return len(_intact_sectors(data, [(0, len(data))], None)) > 0 or _has_loose_header(data)


def _has_loose_header(data):
    """Whether an intact header stands anywhere, aligned or not."""
    mark, raw = sector_mark(), memoryview(data)
    for begin in range(0, len(data), _CHUNK):
        piece = bytes(raw[begin : begin + _CHUNK + HEADER_SIZE])
        at = piece.find(mark)
        while at >= 0:
            if at + HEADER_SIZE <= len(piece) and header_rows(np.frombuffer(piece, np.uint8), np.array([at]))[1][0]:
                return True
            at = piece.find(mark, at + 1)
    return False


def _with_neighbours(sectors, count):
    """Numbers of the sectors and of the blocks around them, rising."""
    wanted = np.zeros(count, dtype=bool)
    for distance in range(-_NEIGHBOURS, _NEIGHBOURS + 1):
        near = sectors + distance
        wanted[near[(near >= 0) & (near < count)]] = True
    return np.flatnonzero(wanted)


def _gathered(data, blocks):
    """The bytes of the given blocks, one behind the other, and which are followed by their true neighbour."""
    full = len(data) // SECTOR_SIZE
    whole = data[: full * SECTOR_SIZE].reshape(-1, SECTOR_SIZE)[blocks[blocks < full]].ravel()
    if blocks[-1] == full:
        whole = np.concatenate([whole, data[full * SECTOR_SIZE :]])
    return whole, np.append(np.diff(blocks) == 1, False)


def first_log_id(data):
    """Log id of the first intact header among the first sectors; None without one."""
    head = data[: 64 * SECTOR_SIZE]
    marked = marked_blocks(head)
    rows, intact = header_rows(head, marked * SECTOR_SIZE)
    return int(rows["log_id"][intact][0]) if intact.any() else None


def _files_by_fat(path):
    """Names of the logs in the image's file system, as far as it can be read; an unreadable one is no error here."""
    from ground.decode.fat_names import log_files

    return log_files(path, LOG_NAME)


def _guess(data):
    head = bytes(data[:512])
    if head[:3] == b"\xff\xd8\xff":
        return "this is a JPEG picture, "
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "this is a PNG picture, "
    if not any(head) and not data[: 1 << 20].any():
        return "it begins with nothing but zeros, "
    if all(byte in b"\t\n\r\x0c\x1b" or byte >= 32 for byte in head):
        return "this looks like text, "
    return ""

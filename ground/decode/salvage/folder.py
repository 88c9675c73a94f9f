"""A card's folder, or one with the files of the second copy: every log file in it, as the file system gives it."""

from shlex import quote

from ground.decode.salvage import endings, nameless
from ground.decode.salvage.carve import likely
from ground.decode.salvage.extents import data_extents
from ground.decode.salvage.log_head import first_log_id, names_itself, pairs_named
from ground.decode.salvage.source import LOG_NAME, PART_NAME, NothingThere, Source, mapped_file, unreadable
from ground.decode.salvage.strangers import looks_like
from shared_protocol.second_copy import FOLDER

_NAMELESS_MAX = 256 << 20  # bytes of files without a header in which frames are looked for
_PART = 32 << 20  # of them together
_GLANCE = 1 << 20  # bytes by which something else is recognised
_IMAGES = (".img", ".bin", ".dd", ".iso", ".raw", ".uf2")
_FOLDERS_MAX = 100  # in which logs are looked for, to name the right one


def open_folder(path):
    """The logs in a folder, as Source of kind "folder".

    Raises
    ------
    InputError
        One line, if there is nothing of ours.
    """
    try:
        entries = _files_like(LOG_NAME, path) + _files_like(PART_NAME, path)
        copy = path / FOLDER
        if copy.is_dir():
            entries += _files_like(PART_NAME, copy)
    except OSError as error:
        raise unreadable(path, error, "folder cannot be read") from None
    if not entries:
        raise _nothing_in(path)
    source = Source("folder", [], [], 0)
    files = [(entry, mapped_file(entry)) for entry in entries]
    for entry, data in files:
        _add(source, entry, data)
    headless = [data for entry, data in files if not names_itself(data)]
    if sum(map(len, headless)) <= _NAMELESS_MAX:
        known = {pair for _entry, data in files for pair in pairs_named(data)} if len(headless) < len(files) else ()
        pieces = (data[at : at + _PART] for data in headless for at in range(0, len(data), _PART))
        source.nameless = nameless.boots(pieces, known)
    if len(headless) == len(files) and not source.nameless:
        raise NothingThere(
            path,
            "the log files in this folder hold no records",
            "make an image of the card and decode that, it finds what the file system hides",
        )
    logs = [(entry, data) for entry, data in files if LOG_NAME.fullmatch(entry.name)]  # parts may be new and empty
    source.useless = [f"{entry.name} in {path}{_why(entry, data)}" for entry, data in logs if _is_useless(data)]
    return source


def _is_useless(data):
    """Whether there is neither a header in a file nor, where it begins, anything like a frame."""
    return not (names_itself(data) or len(likely(data[:_GLANCE], 0, _GLANCE)))


def _why(entry, data):
    what = f": {looks_like(entry, data[:_GLANCE], len(data)).what}no record in it" if len(data) else " is empty"
    return f"{what}; if it should hold a flight, decode an image of the card, which has what the file system hides"


def _nothing_in(path):
    """What a folder without a log is instead, and what to give, as far as its names tell it."""
    images = [entry for entry in sorted(path.iterdir()) if entry.suffix.lower() in _IMAGES and entry.is_file()]
    if (path / "integrity.json").is_file():
        again = f", and {images[0]} can be decoded anew" if images else ""
        step = f"`thistledown report {quote(str(path))}` shows it{again}"
        return NothingThere(path, "is a flight folder, which is decoded already", step)
    inside = images or [folder for folder in _folders_in(path) if _logs_in(folder)]
    step = f"did you mean {inside[0]}?" if inside else "give the card's own top folder"
    return NothingThere(path, "no log in this folder (TD000001.LOG and the like)", step)


def _folders_in(path):
    return sorted(entry for entry in path.iterdir() if entry.is_dir())[:_FOLDERS_MAX]


def _logs_in(folder):
    try:
        return _files_like(LOG_NAME, folder) + _files_like(PART_NAME, folder)
    except OSError:
        return []


def _files_like(pattern, folder):
    return sorted(entry for entry in folder.iterdir() if pattern.fullmatch(entry.name) and entry.is_file())


def _add(source, entry, data):
    if LOG_NAME.fullmatch(entry.name):
        source.files.append({"name": entry.name, "log_id": first_log_id(data)})
        source.endings.append(endings.of_file(entry.name, entry, len(data), is_image=False))
    if len(data):
        source.buffers.append((_real_part(entry, data), None))
        source.names.append(entry.name)
        source.bytes_read += len(data)


def _real_part(path, data):
    """A log without the hole behind its end: armed files are created at full size and never filled."""
    extents = data_extents(path, len(data))
    return data[: extents[-1][1]] if extents else data[:0]

"""Several sources of one flight: the card, another copy of it, the second copy from the board's flash; in any order.

Each is opened by itself. One in which nothing of ours is does not stop the others: the broken card is why the second
copy exists. It is named in the account.
"""

from dataclasses import dataclass
from functools import partial

from ground.decode.salvage.source import GIVE, NothingThere, Source
from ground.decode.salvage.sources import open_source


@dataclass
class Part:
    """One of the things that the user pointed at."""

    name: str
    kind: str
    bytes_read: int


class Buffer(tuple):
    """What `records.read` takes, (data, joined, ...), and the number of the part that it is from."""

    part = 0


def tagged(buffers, part):
    """The same buffers, with the number of their part."""
    result = []
    for one in buffers:
        buffer = Buffer(one)
        buffer.part = part
        result.append(buffer)
    return result


def part_numbers(buffers):
    """The part of each piece that `records.read` makes of the buffers: it makes none of an empty one."""
    return [getattr(one, "part", 0) for one in buffers if len(one[0])]


def open_sources(paths, progress=None):
    """All of `paths` as one source, its parts, and notes on those that held nothing.

    Parameters
    ----------
    paths : list of Path
        Not empty.
    progress : callable, optional
        As for `open_source`, with the number of the source before.

    Returns
    -------
    source : Source
    parts : list of Part
    notes : list of str

    Raises
    ------
    InputError
        If one does not exist or cannot be read, or if none holds anything.
    """
    paths, notes = _each_once(paths)
    opened, parts, refusals = [], [], []
    names = _short_names(paths)
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        try:
            source = open_source(path, partial(progress, number) if progress else None)
        except NothingThere as error:
            refusals.append(error)
            notes.append(_passed_over(name, error, len(paths)))
            continue
        notes += source.useless
        opened.append(source)
        parts.append(Part(name, source.kind, source.bytes_read))
    if not opened:
        raise refusals[0]
    return (opened[0] if len(opened) == 1 else _joined(opened)), parts, notes


def _passed_over(name, error, count):
    advice = "" if error.advice.startswith(GIVE) else f"; {error.advice}"
    return f"{name}: {error.what}; the tables rest on the other source{'s' if count > 2 else ''}{advice}"


def _each_once(paths):
    """The paths without those that lead to a file named before, and a note on each of these."""
    kept, notes = {}, []
    for path in paths:
        try:
            found = path.stat()
            identity = found.st_dev, found.st_ino
        except (OSError, ValueError):  # told where it is opened
            identity = path
        if identity in kept:
            notes.append(f"{path} and {kept[identity]} are the same file, which was read once")
        kept.setdefault(identity, path)
    return list(kept.values()), notes


def _short_names(paths):
    """The last name of each path; all of it where two would be the same."""
    names = [path.name or str(path) for path in paths]
    return [str(path) if names.count(name) > 1 else name for path, name in zip(paths, names, strict=True)]


def _joined(opened):
    """One source of several. Where one has more logs than memory should hold, all are worked log by log."""
    kinds = {source.kind for source in opened}
    joined = Source(kinds.pop() if len(kinds) == 1 else "several", [], [], 0)
    for source in opened:
        joined.names += source.names
        joined.bytes_read += source.bytes_read
        joined.files += source.files
        joined.endings += source.endings
        joined.changes += source.changes
        joined.nameless += source.nameless
    if not any(source.by_log for source in opened):
        for number, source in enumerate(opened):
            joined.buffers += tagged(source.buffers, number)
        return joined
    small = [buffer for number, source in enumerate(opened) for buffer in tagged(source.buffers, number)]
    for log_id in sorted({log_id for source in opened for log_id in (*source.by_log, *_log_ids(source))}):
        joined.by_log[log_id] = lambda log_id=log_id: [*_of_log(opened, log_id), *small]
    return joined


def _of_log(opened, log_id):
    return [
        buffer
        for number, source in enumerate(opened)
        if log_id in source.by_log
        for buffer in tagged(source.by_log[log_id](), number)
    ]


def _log_ids(source):
    """Log ids whose headers stand in the buffers of a small source."""
    from ground.decode.frames.sectors import Keys, split

    keys = Keys()
    for data, *more in source.buffers:
        split(data, keys, *more)
    return {log_id for log_id, _boot in keys.pairs}

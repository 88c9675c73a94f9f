"""What opening something gives: bytes of logs, and what is known of where they come from."""

import re
from dataclasses import dataclass, field

import numpy as np

from ground.errors import InputError

LOG_NAME = re.compile(r"TD[0-9]{6}\.LOG", re.IGNORECASE)
PART_NAME = re.compile(r"part\d{3,6}\.log", re.IGNORECASE)  # of the second copy, see shared_protocol/second_copy.py
GIVE = "give a log file (TD000001.LOG), a card's folder or an image of a card"


class NothingThere(InputError):
    """A source that can be read and holds no record of ours; `what`: that; `advice`: what to give instead."""

    def __init__(self, path, what, advice):
        super().__init__(f"{path}: {what}; {advice}")
        self.what, self.advice = what, advice


@dataclass
class Source:
    """Bytes to decode.

    Attributes
    ----------
    kind : str
        "log", "folder", "image" (of a card, by its file system or partition table), "bare" (an image without either),
        "torn" (likewise, and no sector has its header left), "flash" (with littlefs), "chip" (the second copy's sectors
        without it) or "capture" (frames and text, no sectors). "several" of what was put together.
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
    useless : list of str
        Sentences about files of a folder that gave nothing.
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
    useless: list = field(default_factory=list)

    @property
    def pairs(self):
        """Log id and boot of each that is nameless."""
        return [(one.log_id, one.boot) for one in self.nameless]

    @property
    def has_headers(self):
        """Whether sectors name themselves, so that their numbers tell what is lost."""
        return self.kind not in ("capture", "torn")


def mapped_file(path, size=None):
    """The file's bytes, or its first `size`, without reading them."""
    try:
        size = path.stat().st_size if size is None else size
        if size == 0:
            return np.empty(0, np.uint8)
        return np.memmap(path, dtype=np.uint8, mode="r", shape=(size,)).view(np.ndarray)
    except OSError as error:
        raise unreadable(path, error) from None


def unreadable(path, error, what="cannot be read"):
    """The InputError that says why a file or folder cannot be read and what to do."""
    if isinstance(error, PermissionError):
        step = "take the right to read it, or have it copied to a folder of your own"
    else:
        step = "copy it to a disk that works and try again"
    return InputError(f"{path}: {what} ({reason(error)}); {step}")


def reason(error):
    """The system's own words."""
    return getattr(error, "strerror", None) or str(error)

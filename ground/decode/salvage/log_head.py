"""Intact sector headers in some bytes: is one there at all, which log the first ones name, which boots all of them."""

import numpy as np

from ground.decode.frames.headers import header_rows, marked_blocks
from ground.decode.frames.wire import SECTOR_SIZE
from shared_protocol.frame import HEADER_SIZE, sector_mark

HEAD = 64 * SECTOR_SIZE  # bytes of a log in which its first header is looked for
_CHUNK = 64 << 20


def holds_header(data):
    """Whether an intact header stands anywhere, in its place or not."""
    mark, raw = sector_mark(), memoryview(data)
    for begin in range(0, len(data), _CHUNK):
        piece = bytes(raw[begin : begin + _CHUNK + HEADER_SIZE])
        at = piece.find(mark)
        while at >= 0:
            if at + HEADER_SIZE <= len(piece) and header_rows(np.frombuffer(piece, np.uint8), np.array([at]))[1][0]:
                return True
            at = piece.find(mark, at + 1)
    return False


def names_itself(data):
    """The same, but at once where a log begins as it should."""
    return first_log_id(data) is not None or holds_header(data)


def pairs_named(data):
    """(log id, boot) that the headers of sectors in their places name, as a set."""
    rows, intact = header_rows(data, marked_blocks(data) * SECTOR_SIZE)
    return set(zip(rows["log_id"][intact].tolist(), rows["boot"][intact].tolist(), strict=True))


def first_log_id(data):
    """Log id of the first intact header among the first sectors; None without one."""
    head = data[:HEAD]
    marked = marked_blocks(head)
    rows, intact = header_rows(head, marked * SECTOR_SIZE)
    return int(rows["log_id"][intact][0]) if intact.any() else None

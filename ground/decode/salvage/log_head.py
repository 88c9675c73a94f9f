"""Intact sector headers in some bytes: is one there at all, and which log the first ones name."""

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


def first_log_id(data):
    """Log id of the first intact header among the first sectors; None without one."""
    head = data[:HEAD]
    marked = marked_blocks(head)
    rows, intact = header_rows(head, marked * SECTOR_SIZE)
    return int(rows["log_id"][intact][0]) if intact.any() else None

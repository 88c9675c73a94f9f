"""What an image without a file system is of: a card or a board's flash, sectors or a capture, by what lies in it."""

import os

import numpy as np

from ground.decode.frames.records import read
from ground.decode.frames.wire import KIND_SIZES, SECTOR_SIZE
from shared_protocol.frame import HEADER_SIZE, SECOND_COPY, decode_header

_CROSSED_MIN = 25  # frames that would lie across a sector's border by chance: none does in one of 10^10 cases
_SAMPLES = 1000  # headers that are asked


def sector_phase(buffers, pairs):
    """Where in 512 bytes sectors begin, all of whose headers are gone; None where frames lie across any such place.

    No frame runs from one sector into the next (shared_protocol/DESIGN.md), but one behind the other they lie anywhere.

    Parameters
    ----------
    buffers : list
        As `records.read` takes them, from whole blocks of the file.
    pairs : list of (int, int)
        Log id and boot of the frames.
    """
    begins = np.zeros(SECTOR_SIZE + 1, dtype=np.int64)  # at +1 borders begin to cut a frame, at -1 they end to
    expected = 0.0
    for piece in read(buffers, pairs).pieces:
        sizes = KIND_SIZES[piece.found.kinds].astype(np.int64)
        first, last = (piece.found.starts + 1) % SECTOR_SIZE, (piece.found.starts + sizes) % SECTOR_SIZE
        np.add.at(begins, first, 1)
        np.add.at(begins, last, -1)
        begins[0] += np.count_nonzero(last < first)
        expected += float((sizes - 1).sum()) / SECTOR_SIZE
    cut = np.cumsum(begins[:-1])
    phase = int(cut.argmin())
    return phase if expected >= _CROSSED_MIN and cut[phase] == 0 else None


def is_of_second_copy(handle, runs, headers):
    """Whether all sectors say that they are the second copy's, which only a board's flash holds."""
    places = np.concatenate([runs["block"] * SECTOR_SIZE, headers["offset"]])
    for at in places[:: len(places) // _SAMPLES + 1].tolist():
        header = decode_header(os.pread(handle.fileno(), HEADER_SIZE, at))
        if header is None or not header[5] & SECOND_COPY:
            return False
    return True

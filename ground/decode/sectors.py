"""Sectors: which 512-byte blocks of some bytes begin with an intact header, and whose they are.

A block with an intact header is *owned* by the (log, boot) that the header names: only frames salted for that pair are
ever accepted in it. All others are *loose*: their frames may belong to any log and boot seen elsewhere in the source.
"""

from dataclasses import dataclass, field
from zlib import crc32

import numpy as np

from ground.decode.crc_tables import fixed_length_crc
from ground.decode.wire import SECTOR_SIZE, frame_dtypes, rows_at
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, FORMAT_VERSION, HEADER_SIZE, KIND_TEXT, sector_mark
from shared_protocol.records import HEADER

LOOSE = -1
MARK = np.frombuffer(sector_mark(), dtype="<u4")[0]


@dataclass
class Keys:
    """The (log id, boot) pairs of a source, numbered as they are met."""

    pairs: list = field(default_factory=list)
    number: dict = field(default_factory=dict)

    def add(self, log_id, boot):
        """The number of a pair, a new one if it was not known."""
        pair = (int(log_id), int(boot))
        if pair not in self.number:
            self.number[pair] = len(self.pairs)
            self.pairs.append(pair)
        return self.number[pair]

    def salts(self):
        """CRC start value of each pair, uint32."""
        return np.array([frame_salt(*pair) for pair in self.pairs], dtype=np.uint32)


@dataclass
class Blocks:
    """Some bytes seen as 512-byte blocks.

    Attributes
    ----------
    data : numpy.ndarray of uint8, shape (512 n,)
        The bytes; a cut last block is filled up with zeros.
    size : int
        How many of them are real.
    owner : numpy.ndarray of int32, shape (n,)
        Key number, or LOOSE.
    joined : numpy.ndarray of bool, shape (n,)
        Whether the next block in `data` also follows in the source.
    kind, version : numpy.ndarray of uint8, shape (n,)
        Kind and format version that the header of an owned block states; 0 in loose ones.
    keys : Keys
        Shared by all blocks of a source.
    aligned : bool
        Whether sectors stand on block boundaries. If not, what lies between frames may be anything, and is no damage.
    """

    data: np.ndarray
    size: int
    owner: np.ndarray
    joined: np.ndarray
    kind: np.ndarray
    version: np.ndarray
    keys: Keys
    aligned: bool = True

    @property
    def count(self):
        return len(self.owner)

    def is_text(self):
        """Owned blocks whose header says kind 1; bool, shape (n,)."""
        return (self.owner >= 0) & (self.kind == KIND_TEXT)

    def is_newer(self):
        """Owned blocks of a format that this decoder does not know yet."""
        return (self.owner >= 0) & (self.version != FORMAT_VERSION)


def header_rows(data, starts):
    """Header frames at the given offsets and which of them are intact."""
    rows = rows_at(data, starts, HEADER_SIZE)
    stored = np.ascontiguousarray(rows[:, -CRC_SIZE:]).view("<u4").ravel()
    intact = fixed_length_crc(rows[:, :-CRC_SIZE]) == stored
    return np.ascontiguousarray(rows).view(frame_dtypes()[HEADER]).ravel(), intact


def marked_blocks(data):
    """Numbers of the whole blocks that begin with the sector mark; `data` begins on a block boundary."""
    count = len(data) // SECTOR_SIZE
    first_words = (
        np.ndarray((count,), dtype="<u4", buffer=data, strides=(SECTOR_SIZE,)) if count else np.empty(0, "<u4")
    )
    return np.flatnonzero(first_words == MARK)


def split(data, keys, joined=None, aligned=True):
    """See bytes as blocks and find out whose each is.

    Parameters
    ----------
    data : numpy.ndarray of uint8, shape (n,)
        Begins where a sector does, or is not aligned at all (then every block is loose).
    keys : Keys
        Gains the pairs of this data.
    joined : numpy.ndarray of bool, optional
        For data gathered from several places; default: all in one piece.
    aligned : bool
        Whether sectors begin on block boundaries; if not, every block is loose, also where a header stands by chance.
    """
    size = len(data)
    if size % SECTOR_SIZE:
        data = np.concatenate([data, np.zeros(SECTOR_SIZE - size % SECTOR_SIZE, dtype=np.uint8)])
    count = len(data) // SECTOR_SIZE
    marked = marked_blocks(data) if aligned else np.empty(0, np.int64)
    found, intact = header_rows(data, marked * SECTOR_SIZE)
    intact &= marked * SECTOR_SIZE + HEADER_SIZE <= size
    marked, found = marked[intact], found[intact]

    kind, version = np.zeros(count, dtype=np.uint8), np.zeros(count, dtype=np.uint8)
    kind[marked], version[marked] = found["kind"], found["format"]
    owner = np.full(count, LOOSE, dtype=np.int32)
    owner[marked] = _key_numbers(found, keys)
    if joined is None:
        joined = np.ones(count, dtype=bool)
    return Blocks(data, size, owner, joined, kind, version, keys, aligned)


def _key_numbers(found, keys):
    """Key number of each header, new ones in the order of the file."""
    if len(found) == 0:
        return np.empty(0, dtype=np.int32)
    changes = (
        np.flatnonzero((found["log_id"][1:] != found["log_id"][:-1]) | (found["boot"][1:] != found["boot"][:-1])) + 1
    )
    begins = np.concatenate([[0], changes])  # few: a boot's sectors stand together
    numbers = [
        keys.add(*pair) for pair in zip(found["log_id"][begins].tolist(), found["boot"][begins].tolist(), strict=True)
    ]
    return np.repeat(np.array(numbers, dtype=np.int32), np.diff(np.append(begins, len(found))))


def intact_text(blocks):
    """Numbers of the text blocks whose own CRC holds."""
    good = []
    for block in np.flatnonzero(blocks.is_text()):
        raw = bytes(blocks.data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
        whole = (block + 1) * SECTOR_SIZE <= blocks.size
        if whole and crc32(raw[:-CRC_SIZE]) == int.from_bytes(raw[-CRC_SIZE:], "little"):
            good.append(block)
    return np.array(good, dtype=np.int64)

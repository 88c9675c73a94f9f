"""Sectors: which 512-byte blocks of some bytes begin with an intact header, and whose they are.

A block with an intact header is *owned* by the (log, boot) that the header names: only frames salted for that pair are
ever accepted in it. All others are *loose*: their frames may belong to any log and boot seen elsewhere in the source.
"""

from dataclasses import dataclass, field
from zlib import crc32

import numpy as np

from ground.decode.frames.headers import MARK, header_rows, heads_of
from ground.decode.frames.realigned import realigned
from ground.decode.frames.threads import SERIAL_MAX
from ground.decode.frames.wire import SECTOR_SIZE
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, FORMAT_VERSION, HEADER_SIZE, KIND_TEXT

LOOSE = -1
_CHUNK = 1 << 14  # blocks, 8 MiB: few enough turns that threads seldom wait for each other
_SMALL_CHUNK = 1 << 11  # where one thread does it all, one after the other in the same memory


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
    unproven : numpy.ndarray of bool, shape (n,)
        Owned blocks whose header's own CRC was not looked at yet: predict.py proves most of them by the group.
    """

    data: np.ndarray
    size: int
    owner: np.ndarray
    joined: np.ndarray
    kind: np.ndarray
    version: np.ndarray
    keys: Keys
    aligned: bool = True
    unproven: np.ndarray | None = None

    @property
    def count(self):
        return len(self.owner)

    @property
    def chunk(self):
        """How many blocks are handled at a time."""
        return _CHUNK if self.size > SERIAL_MAX else _SMALL_CHUNK

    def is_text(self):
        """Owned blocks whose header says kind 1; bool, shape (n,)."""
        return (self.owner >= 0) & (self.kind == KIND_TEXT)

    def is_newer(self):
        """Owned blocks of a format that this decoder does not know yet."""
        return (self.owner >= 0) & (self.version != FORMAT_VERSION)


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
    size, whole = len(data), _whole_blocks(data)
    heads, marked, begins = heads_of(whole), np.empty(0, np.int64), ()
    if aligned:
        marked = np.flatnonzero(heads["mark"] == MARK)
        moved = realigned(data, joined, marked)
        if moved:
            data, joined, begins = moved
            size, whole = len(data), _whole_blocks(data)
            heads = heads_of(whole)
            marked = np.flatnonzero(heads["mark"] == MARK)
    data, count = whole, len(whole) // SECTOR_SIZE
    marked = marked[marked * SECTOR_SIZE + HEADER_SIZE <= size]
    numbers, proven = _key_numbers(data, marked, heads["pair"][marked], keys)
    _disown(numbers, np.searchsorted(marked, begins))

    owner = np.full(count, LOOSE, dtype=np.int32)
    owner[marked] = numbers
    kind, version = np.zeros(count, dtype=np.uint8), np.zeros(count, dtype=np.uint8)
    marked, proven = marked[numbers >= 0], proven[numbers >= 0]
    kind[marked], version[marked] = heads["kind"][marked], heads["format"][marked]
    unproven = np.zeros(count, dtype=bool)
    unproven[marked] = ~proven
    if joined is None:
        joined = np.ones(count, dtype=bool)
    return Blocks(data, size, owner, joined, kind, version, keys, aligned, unproven)


def _whole_blocks(data):
    """The bytes, a cut last block filled up with zeros."""
    missing = -len(data) % SECTOR_SIZE
    return np.concatenate([data, np.zeros(missing, dtype=np.uint8)]) if missing else data


def _key_numbers(data, marked, pairs, keys):
    """Key number of each marked block and whether its header's CRC was looked at; LOOSE where that failed.

    A boot's sectors stand together, so it is enough to look at the first of each run that names the same pair. If that
    one is hurt, all of its run are looked at.
    """
    numbers = np.full(len(marked), LOOSE, dtype=np.int32)
    proven = np.append(True, pairs[1:] != pairs[:-1])[: len(marked)]
    intact = np.repeat(_intact(data, marked[proven]), _run_lengths(proven))
    proven |= ~intact
    doubtful = np.flatnonzero(~intact)
    intact[doubtful] = _intact(data, marked[doubtful])
    named = np.flatnonzero(intact)
    begins = np.append(True, pairs[named[1:]] != pairs[named[:-1]])[: len(named)]
    own = [keys.add(pair & 0xFFFFFFFF, pair >> 32) for pair in pairs[named[begins]].tolist()]
    numbers[named] = np.repeat(np.array(own, dtype=np.int32), _run_lengths(begins))
    return numbers, proven


def _disown(numbers, moved):
    """Make loose the marked blocks before some that were moved, if those have another key.

    Of what was lost between them one header may be, and what stands behind it then is in no block of its own.
    """
    moved = moved[(moved > 0) & (moved < len(numbers))]
    others = numbers[moved - 1] != numbers[moved]
    numbers[moved[others] - 1] = LOOSE


def _run_lengths(begins):
    """Lengths of the runs that begin where `begins` is true; the first item is always true."""
    return np.diff(np.append(np.flatnonzero(begins), len(begins)))


def _intact(data, blocks):
    return header_rows(data, blocks * SECTOR_SIZE)[1]


def prove_headers(blocks, numbers):
    """Look at the headers of some blocks, where nobody has proven them yet; a block with a hurt one becomes loose.

    Gives back the numbers of those blocks.
    """
    doubtful = numbers[blocks.unproven[numbers]]
    hurt = doubtful[~_intact(blocks.data, doubtful)]
    blocks.owner[hurt] = LOOSE
    blocks.kind[hurt] = blocks.version[hurt] = 0
    blocks.unproven[numbers] = False
    return hurt


def intact_text(blocks):
    """Numbers of the text blocks whose own CRC holds."""
    good = []
    for block in np.flatnonzero(blocks.is_text()):
        raw = bytes(blocks.data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
        whole = (block + 1) * SECTOR_SIZE <= blocks.size
        if whole and crc32(raw[:-CRC_SIZE]) == int.from_bytes(raw[-CRC_SIZE:], "little"):
            good.append(block)
    return np.array(good, dtype=np.int64)

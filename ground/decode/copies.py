"""Which frames came off the card and which out of the second copy in the board's flash, and what stretches each covers.

A sector of the second copy says so in its header (`frame.SECOND_COPY`), so the names of files do not matter. A block
without a header is of the copy if the one before it is. Frames of both copies are the same bytes, so they are compared
by boot, sequence number and time. See shared_protocol/DESIGN.md, "The second copy".
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.frames.headers import header_rows
from ground.decode.frames.wire import SECTOR_SIZE, frame_dtypes
from shared_protocol.frame import HEADER_SIZE, SECOND_COPY, sector_mark
from shared_protocol.records import HEADER

CARD, FLASH = "card", "flash"
KEYS_MAX = 65_535  # boots that `packed` tells apart; a source with more is no flight, and its copies are not compared
_FLAGS_AT = frame_dtypes()[HEADER].fields["flags"][1]


def in_second_copy(piece):
    """Whether each frame of a piece lies in a sector of the second copy; bool, shape (frames,)."""
    blocks = second_copy_blocks(piece.blocks)
    if not blocks.any():
        return np.zeros(len(piece.found.starts), dtype=bool)
    return blocks[piece.found.starts // SECTOR_SIZE]


def second_copy_blocks(blocks):
    """Which blocks are of the second copy; bool, shape (blocks,)."""
    owned = np.flatnonzero(blocks.owner >= 0)
    if len(owned):
        flags = blocks.data.reshape(-1, SECTOR_SIZE)[owned, _FLAGS_AT]
        places, copied = owned, (flags & SECOND_COPY) != 0
        if not copied.any():
            return np.zeros(blocks.count, dtype=bool)
    else:
        offsets, copied = _headers_anywhere(blocks.data[: blocks.size])
        places = offsets // SECTOR_SIZE
        if len(places) == 0:
            return np.zeros(blocks.count, dtype=bool)
    before = np.searchsorted(places, np.arange(blocks.count), side="right") - 1
    return copied[np.maximum(before, 0)]


def _headers_anywhere(data):
    """Offsets of intact headers at any byte, and whether they are of the second copy: a capture has no blocks."""
    raw, mark, at = data.tobytes(), sector_mark(), []
    place = raw.find(mark)
    while place >= 0:
        if place + HEADER_SIZE <= len(raw):
            at.append(place)
        place = raw.find(mark, place + 1)
    offsets = np.array(at, dtype=np.int64)
    rows, intact = header_rows(data, offsets)
    return offsets[intact], (rows["flags"][intact] & SECOND_COPY) != 0


def logs_on_card(records):
    """Ids of the logs of which a card gave anything: an owned sector, or a frame."""
    numbers = set()
    for piece in records.pieces:
        copied = second_copy_blocks(piece.blocks)
        if not copied.any():
            numbers.update(np.unique(piece.found.keys).tolist())
            numbers.update(np.unique(piece.blocks.owner[piece.blocks.owner >= 0]).tolist())
        else:
            numbers.update(np.unique(piece.found.keys[~copied[piece.found.starts // SECTOR_SIZE]]).tolist())
            numbers.update(np.unique(piece.blocks.owner[(piece.blocks.owner >= 0) & ~copied]).tolist())
    return {records.keys.pairs[key][0] for key in numbers}


def packed(keys, seq, t_ms):
    """One whole number for each frame, equal for the same frame only; rises by boot, then time, then sequence."""
    t_ms = np.asarray(t_ms, np.uint64) & np.uint64(0xFFFFFFFF)  # as it was written
    return np.asarray(keys, np.uint64) << 48 | t_ms << 16 | np.asarray(seq, np.uint64)


@dataclass
class Counted:
    """Frames of the flight that one source or one copy holds.

    Attributes
    ----------
    frames : int
        Distinct ones.
    alone : int
        Of them those that no other has.
    repeated : int
        Found again within it.
    """

    frames: int
    alone: int
    repeated: int


class Copies:
    """Where the frames of some logs were found.

    Attributes
    ----------
    ids : numpy.ndarray of uint64
        Every distinct frame, `packed`, rising.
    on_card : numpy.ndarray of bool
        Which of them some sector of a card holds.
    by_copy : dict of str to Counted
        Of CARD and FLASH, those that have a frame.
    by_part : dict of int to Counted
        By the number of the source.
    repeated_by_part : dict of int to dict of int to int
        Found again within a source, by its number and by key number.
    """

    def __init__(self, records, parts, mine):
        """
        Parameters
        ----------
        records : records.Records
        parts : list of int
            Number of the source of each piece.
        mine : numpy.ndarray of bool
            By key number: whether that boot belongs to the flight.
        """
        found = []
        for piece, part in zip(records.pieces, parts, strict=True):
            own = mine[piece.found.keys]
            ids = packed(piece.found.keys[own], piece.found.seq[own], piece.found.t_ms[own])
            copied = in_second_copy(piece)[own]
            found += [(part, CARD, ids[~copied]), (part, FLASH, ids[copied])]
        by_copy = {name: _together(ids for _part, copy, ids in found if copy == name) for name in (CARD, FLASH)}
        by_part = {number: _together(ids for part, _copy, ids in found if part == number) for number in set(parts)}
        card, flash = np.unique(by_copy[CARD]), np.unique(by_copy[FLASH])
        self.ids = np.union1d(card, flash)
        self.on_card = np.isin(self.ids, card, assume_unique=True)
        self.by_copy = {name: one for name, one in _counted(by_copy).items() if one.frames}
        self.by_part = _counted(by_part)
        self.repeated_by_part = {number: _repeated(ids) for number, ids in by_part.items()}

    @property
    def is_merged(self):
        """Whether both the card and the second copy gave frames."""
        return len(self.by_copy) == 2

    @property
    def is_copy_only(self):
        return set(self.by_copy) == {FLASH}

    def found_in(self, keys, seq, t_ms):
        """CARD's code 0 or FLASH's code 1 for frames of the flight: 1 where no sector of a card has it."""
        at = np.searchsorted(self.ids, packed(keys, seq, t_ms))
        at = np.minimum(at, max(len(self.ids) - 1, 0))
        return (~self.on_card[at]).astype(np.int32)

    def of_boot(self, key):
        """Times [ms since boot], sequence numbers and `on_card` of one boot's frames, in order of time."""
        first, last = np.searchsorted(self.ids, packed([key, key + 1], [0, 0], [0, 0]))
        ids = self.ids[first:last]
        t_ms = (ids >> np.uint64(16) & np.uint64(0xFFFFFFFF)).astype(np.int64)
        return t_ms, (ids & np.uint64(0xFFFF)).astype(np.uint16), self.on_card[first:last]


def _together(arrays):
    arrays = list(arrays)
    return np.concatenate(arrays) if arrays else np.empty(0, np.uint64)


def _repeated(ids):
    """How many frames came more than once, by key number."""
    ids = np.sort(ids)
    keys, counts = np.unique(ids[1:][ids[1:] == ids[:-1]] >> np.uint64(48), return_counts=True)
    return dict(zip(keys.tolist(), counts.tolist(), strict=True))


def _counted(groups):
    """Counted of each group of frames, which may hold one several times."""
    distinct = {name: np.unique(ids) for name, ids in groups.items()}
    everything = np.concatenate(list(distinct.values())) if distinct else np.empty(0, np.uint64)
    ids, holders = np.unique(everything, return_counts=True)
    single = ids[holders == 1]
    return {
        name: Counted(len(own), int(np.isin(own, single, assume_unique=True).sum()), len(groups[name]) - len(own))
        for name, own in distinct.items()
    }

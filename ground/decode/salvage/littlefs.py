"""Files in the dump of a flash chip with littlefs, without its directories: chains of data blocks put together again.

A file's blocks lie anywhere. Block n of a file, n > 0, begins with ctz(n) + 1 little-endian words; word j is the number
of the file's block n - 2^j. So each block names the one before it, and the longer words prove it. Every chain is
followed from its last block, whether a directory still names it or not: older states of a file and deleted ones are
found too. Reference: littlefs project, DESIGN.md "CTZ skip-lists" and SPEC.md "superblock" (from memory; held in a
test against images made by the file system itself in MicroPython).
"""

import struct

import numpy as np

from ground.decode.frames.headers import marked_blocks
from ground.decode.frames.wire import SECTOR_SIZE
from ground.decode.salvage.carve import SLICE, likely
from ground.decode.salvage.extents import mapped, merged, windows

_NAME = b"littlefs"
_NAME_AT = 8  # behind the block's revision and the entry's tag
_SIZE_AT = 24  # of a block, in bytes; its count follows
_BLOCK_SIZES = tuple(1 << n for n in range(7, 18))
_GUESSED_SIZES = tuple(size for size in _BLOCK_SIZES if size >= SECTOR_SIZE)  # smaller ones are not erased alone
_CHIP_MAX = 256 << 20  # bytes; larger volumes are not put together
_HEADS_MAX = 1000  # superblocks of one image that are looked at: each state of a volume has two
_VOLUMES_MAX = 16  # in one dump
_STATES_MAX = 8  # blocks with the same block before them: a file was written on from there so many times
_MARKS_MIN = 4  # sectors
_VOTES_MIN = 4  # blocks that must agree on where their volume begins; by chance two words of 32 bits never do


def contents(data):
    """Contents of the files of all volumes in a dump, as `chains` gives them; None if there is no volume.

    Where no superblock is left, the volume is found by what its blocks name; of that one only logs are taken.

    Parameters
    ----------
    data : numpy.ndarray of uint8
        Of a whole dump.
    """
    declared = volumes(data)
    found = [one for volume in declared for one in _chains(data, *volume)]
    if not declared:
        found = [one for volume in _without_superblock(data) for one in _chains(data, *volume) if _is_log(one[0])]
        if not found:
            return None
    return [stream for stream, _places in found], merged([place for _stream, places in found for place in places])


def contents_within(handle, extents, size):
    """The same of a large image in which dumps may lie; of those that begin with a superblock, what may hold frames.

    Parameters
    ----------
    handle : file, open for reading
    extents : list of (int, int)
        Stretches of it that hold data.
    size : int
        Of the file.
    """
    heads = []
    for first, last in windows(extents):
        with mapped(handle, first, min(last + _SIZE_AT + 8, size)) as data:
            heads += [(first + at, block, count) for at, block, count in _declared(data, 0)]
            del data
    streams, taken, done, kept = [], [], 0, 0
    for at, block, count in heads[:_HEADS_MAX]:
        if at < done or kept > _CHIP_MAX:
            continue
        begin, done = max(at - block, done), min(at + block * count, size)
        with mapped(handle, begin, done) as data:
            found = [one for volume in volumes(data) for one in _chains(data, *volume) if _may_hold_frames(one[0])]
            del data
        streams += [stream for stream, _places in found]
        taken += [(begin + first, begin + last) for _stream, places in found for first, last in places]
        kept += sum(len(stream) for stream, _places in found)
    return (streams, merged(taken)) if streams else None


def _may_hold_frames(stream):
    return any(len(likely(stream, first, min(first + SLICE, len(stream)))) for first in range(0, len(stream), SLICE))


def volumes(data):
    """(offset, block size, block count) of every littlefs whose superblock is in some bytes."""
    found, start = [], 0
    while len(found) < _VOLUMES_MAX and (one := _next_volume(data, start)):
        found.append(one)
        start = one[0] + one[1] * one[2]
    return found


def _next_volume(data, start):
    """The first volume whose superblock is at `start` or behind it; None if there is none."""
    for begin, size, count in _declared(data, start):
        begin = _first_of_pair(data, begin, size, count, start)
        return begin, size, min(count, (len(data) - begin) // size)
    return None


def _declared(data, start):
    """(offset, block size, block count) of what looks like superblocks at `start` or behind it."""
    for first in range(start, len(data), SLICE):
        text = data[first : first + SLICE + _SIZE_AT + 8].tobytes()
        at = text.find(_NAME, _NAME_AT)
        while 0 <= at < SLICE + _NAME_AT:
            begin = at - _NAME_AT
            if begin + _SIZE_AT + 8 <= len(text):
                size, count = struct.unpack_from("<II", text, begin + _SIZE_AT)
                if size in _BLOCK_SIZES and count >= 2 and size * count <= _CHIP_MAX:
                    yield first + begin, size, count
            at = text.find(_NAME, at + 1)


def _first_of_pair(data, begin, size, count, start):
    """Where a volume begins: with the superblock that was found, or with the block before, whose copy is ruined."""
    before = begin - size
    if before < start:
        return begin
    votes = _beginnings(data[before : begin + size * count], size)
    here, earlier = votes.get(1, 0), votes.get(0, 0)
    if here != earlier:
        return before if earlier > here else begin
    erased = begin % size == 0 and bool((data[before + 4 : before + 8] == 0xFF).all())
    return before if erased else begin


def _without_superblock(data):
    """The volume whose blocks name each other most often, as a list; empty if they do so by chance at most."""
    ballots = [(votes, first, size) for size in _GUESSED_SIZES for first, votes in _beginnings(data, size).items()]
    votes, first, size = max(ballots, default=(0, 0, 0))
    return [(first * size, size, len(data) // size - first)] if votes >= _VOTES_MIN else []


def _beginnings(data, size):
    """How many blocks of files say that their volume begins with a block, by its number; it may lie before `data`.

    Each second block of a file names the two before it, the nearer of which names the farther one too. So a block can
    be recognised by what it names, and its place shows where the numbers count from.
    """
    count = len(data) // size
    words = data[: count * size].reshape(count, size)[:, :8].copy().view("<u4").astype(np.int64)
    near, far = words[:, 0], words[:, 1]
    most = _CHIP_MAX // size
    blocks = np.flatnonzero((near >= 2) & (far >= 2) & (near != far) & (near < most) & (far < most))
    by_near = np.argsort(near, kind="stable")
    place = np.searchsorted(near[by_near], far[blocks])
    found = []
    for _ in range(_STATES_MAX):
        blocks, place = blocks[place < count], place[place < count]
        nearer = by_near[place]
        same = near[nearer] == far[blocks]
        blocks, place = blocks[same], place[same] + 1
        found.append(nearer[same] - near[blocks])
    starts = np.concatenate(found)
    starts, votes = np.unique(starts[(starts > -most) & (starts < count)], return_counts=True)
    return dict(zip(starts.tolist(), votes.tolist(), strict=True))


def _is_log(stream):
    """Whether sectors of a log follow each other in it."""
    marks = len(marked_blocks(stream))
    return marks >= _MARKS_MIN and 2 * marks * SECTOR_SIZE >= len(stream)


def chains(data, offset, size, count):
    """Contents of the chains of a volume, newest block last.

    Parameters
    ----------
    offset : int
        Where it begins; below 0: so much of its beginning is not in `data`.

    Returns
    -------
    streams : list of numpy.ndarray of uint8
        Padded in front so that what began at a multiple of 512 in the file does so here.
    taken : list of (int, int)
        Bytes of `data` that are in them, as rising intervals.
    """
    found = _chains(data, offset, size, count)
    return [stream for stream, _places in found], sorted({place for _stream, places in found for place in places})


def _chains(data, offset, size, count):
    """(stream, places of its blocks) of each chain."""
    lead = max(-offset, 0)  # bytes of the volume before the data
    if lead:
        data, offset = np.concatenate([np.full(lead, 0xFF, np.uint8), data]), 0
    blocks = data[offset : offset + size * count].reshape(count, size)
    words = blocks[:, : min(size, 4 * 32)].copy().view("<u4").astype(np.int64)
    index = _indexes(words, count)
    before = np.where(index > 0, words[:, 0], -1)
    has_next = np.zeros(count, dtype=bool)
    has_next[before[before >= 0]] = True
    found, done = [], set()
    for last in np.flatnonzero((index > 0) & ~has_next).tolist():
        path, block = [], last
        while block >= 0 and block not in done:
            path.append(block)
            block = int(before[block])
        done.update(path)
        if block >= 0:
            path.append(block)  # the states of a file share their beginning: once more the block where they part
        path.reverse()
        first = int(index[path[0]])
        begin = first * size - sum(4 * _word_count(n) for n in range(1, first))  # in the file
        parts = [np.zeros(begin % SECTOR_SIZE, dtype=np.uint8)]
        parts += [blocks[b][4 * _word_count(int(index[b])) :] for b in path]
        places = [offset - lead + b * size for b in path]
        found.append((np.concatenate(parts), [(place, place + size) for place in places if place >= 0]))
    return found


def _word_count(n):
    return (n & -n).bit_length() if n else 0


def _indexes(words, count):
    """Place of each block in its file, from 0; a block that nothing shows to follow another has 0."""
    index = np.full(count, -1, dtype=np.int64)
    for start in range(count):
        path, block, met = [], start, set()
        while index[block] < 0 and block not in met:
            met.add(block)
            path.append(block)
            follows = int(words[block, 0])
            if not 2 <= follows < count:  # blocks 0 and 1 hold the superblock and no file's data
                break
            block = follows
        for block in reversed(path):
            follows = int(words[block, 0])
            n = int(index[follows]) + 1 if 2 <= follows < count and follows != block else 0
            index[block] = n if n and _is_proved(words, block, n) else 0
    return index


def _is_proved(words, block, n):
    """Whether all words of a block that would be number n agree with those of the blocks they lead to."""
    for j in range(1, min(_word_count(n), words.shape[1])):
        shorter = int(words[block, j - 1])
        if not 0 <= shorter < len(words) or int(words[block, j]) != int(words[shorter, j - 1]):
            return False
    return True

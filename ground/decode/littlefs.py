"""Files in the dump of a flash chip with littlefs, without its directories: chains of data blocks put together again.

A file's blocks lie anywhere. Block n of a file, n > 0, begins with ctz(n) + 1 little-endian words; word j is the number
of the file's block n - 2^j. So each block names the one before it, and the longer words prove it. Every chain is
followed from its last block, whether a directory still names it or not: older states of a file and deleted ones are
found too. Reference: littlefs project, DESIGN.md "CTZ skip-lists" and SPEC.md "superblock" (from memory; held in a
test against images made by the file system itself in MicroPython).
"""

import numpy as np

from ground.decode.wire import SECTOR_SIZE

_NAME = b"littlefs"
_NAME_AT = 8  # behind the block's revision and the entry's tag
_SIZE_AT = 24  # of a block, in bytes; its count follows
_BLOCK_SIZES = tuple(1 << n for n in range(7, 18))


def volume(data):
    """(offset, block size, block count) of the first littlefs in some bytes, or None.

    Parameters
    ----------
    data : numpy.ndarray of uint8
        Of a whole dump.
    """
    raw = memoryview(np.ascontiguousarray(data))
    text = bytes(raw) if len(raw) <= 64 << 20 else b""  # the flash of a board is never larger
    at = text.find(_NAME)
    while at >= 0:
        begin = at - _NAME_AT
        if begin >= 0 and begin + _SIZE_AT + 8 <= len(text):
            size = int.from_bytes(text[begin + _SIZE_AT : begin + _SIZE_AT + 4], "little")
            count = int.from_bytes(text[begin + _SIZE_AT + 4 : begin + _SIZE_AT + 8], "little")
            if size in _BLOCK_SIZES and count >= 2:
                if begin % size == 0 and begin >= size and text[begin - size + 4 : begin - size + 8] == b"\xff" * 4:
                    begin -= size  # the first of the pair is erased, this is the second
                return begin, size, min(count, (len(text) - begin) // size)
        at = text.find(_NAME, at + 1)
    return None


def chains(data, offset, size, count):
    """Contents of the chains of a volume, newest block last.

    Returns
    -------
    streams : list of numpy.ndarray of uint8
        Padded in front so that what began at a multiple of 512 in the file does so here.
    taken : list of (int, int)
        Bytes of `data` that are in them, as rising intervals.
    """
    blocks = data[offset : offset + size * count].reshape(count, size)
    words = blocks[:, : min(size, 4 * 32)].copy().view("<u4").astype(np.int64)
    index = _indexes(words, count)
    before = np.where(index > 0, words[:, 0], -1)
    has_next = np.zeros(count, dtype=bool)
    has_next[before[before >= 0]] = True
    streams, done = [], set()
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
        streams.append(np.concatenate(parts))
    return streams, [(offset + b * size, offset + (b + 1) * size) for b in sorted(done)]


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

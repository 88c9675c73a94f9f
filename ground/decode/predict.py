"""The fast road: every frame of an undamaged log, checked by one CRC call per 8 KiB.

The sync word stands at even offsets, so the frames of 8 MiB are found by one comparison. If they are all valid, the
CRC of their group of sectors follows from where they end (crc_tables.py says why); `zlib.crc32` over the group is
then compared with that prediction. Where few groups differ, their sectors are tried one by one; what differs then
holds damage, or a chance sync word, or has no header, and is left to rough.py frame by frame. So is a stretch of which
a sample says that hardly a group is whole.

Groups of 8 KiB, for two reasons. CRC-32 finds every change of up to 3 bits only in blocks of up to 11 KiB (Hamming
distance 4 to 91 607 bits; from memory). And from 5 KiB on zlib lets go of the interpreter's lock, so that another
thread goes on meanwhile: with groups of 4 KiB two threads took a tenth longer.
"""

from functools import lru_cache
from zlib import crc32

import numpy as np

from ground.decode import crc_tables
from ground.decode.found import NOTHING, Found, batch_of
from ground.decode.sectors import intact_text
from ground.decode.threads import each
from ground.decode.wire import (
    HEADER_KIND,
    KIND_COUNT,
    KIND_SIZES,
    NO_KIND,
    SECTOR_SIZE,
    SECTOR_WORDS,
    SIZE_MIN,
    SYNC_WORD,
    kind_of_pair,
)
from shared_protocol.frame import HEADER_SIZE

GROUP = 16  # blocks, 8 KiB
CHUNK = 1024 * GROUP  # blocks handled at a time, 8 MiB: few enough turns that threads seldom wait for each other
_PROBE = 8 * GROUP  # blocks
_KEYS_MAX = 2000  # boots and logs in one source; with more the tables grow past 50 MB and the careful road is taken
_STRIDE = 512  # an "entry" is kind * 512 + the word at which the frame ends: kind and end in one number
_TOO_LONG = SECTOR_WORDS + 1


def clean_frames(blocks):
    """Frames of all groups of sectors that match their prediction.

    Returns
    -------
    parts : list of Batch
        One for each CHUNK blocks.
    settled : numpy.ndarray of bool, shape (blocks,)
        Blocks that are done with; the others still have to be looked at.
    """
    settled = np.zeros(blocks.count, dtype=bool)
    firsts = range(0, blocks.count, CHUNK)
    if len(blocks.keys.pairs) > _KEYS_MAX:
        return [batch_of(NOTHING)] * len(firsts), settled
    tables = _end_tables(tuple(blocks.keys.salts().tolist()))
    text = intact_text(blocks)
    all_words = blocks.data.view("<u2")
    slots = _Slots(len(firsts), min(blocks.count, CHUNK))
    hurt = [False]  # whether hardly a group of the chunk before matched: then a few are tried before all are

    def attempt(first, last):
        return _chunk(blocks, first, last, text[(text >= first) & (text < last)], tables)

    def part(first):
        last = min(first + CHUNK, blocks.count)
        owner = blocks.owner[first:last]
        if not (owner >= 0).any():
            return batch_of(NOTHING)
        if hurt[0] and last - first > _PROBE and _hardly_any(attempt(first, first + _PROBE)[2]):
            return batch_of(NOTHING)
        words, kinds, settled[first:last] = attempt(first, last)
        hurt[0] = _hardly_any(settled[first:last])
        keys = owner.take(words >> 8) if owner.any() else np.broadcast_to(np.int32(0), words.shape)
        words += first * SECTOR_WORDS  # from here on places in the whole; what they point at is still in the cache
        room = slots.of(first // CHUNK, len(words))
        np.multiply(words, 2, out=room[0])
        room[1][:] = kinds
        _stamps(all_words, words, *room[2:])
        return batch_of(Found(room[0], room[1], keys, *room[2:]))

    return each(part, firsts), settled


def _hardly_any(good):
    return np.count_nonzero(good) < len(good) // 4


class _Slots:
    """Columns for the frames of each chunk, in one large piece of memory each.

    The system maps large pieces by the 2 MiB page, and once; columns made one by one cost a page fault each 4 KiB, for
    which threads wait in line.
    """

    def __init__(self, chunks, blocks):
        most = blocks * ((SECTOR_SIZE - HEADER_SIZE) // SIZE_MIN)
        kinds = np.uint8, np.uint16, np.uint32
        self._columns = [np.empty((chunks, most), dtype) for dtype in (np.int64, *kinds)]

    def of(self, chunk, frames):
        """Room for the offsets, kinds, sequence numbers and times of that many frames."""
        return [column[chunk, :frames] for column in self._columns]


def _stamps(data, words, seq, t_ms):
    """Sequence numbers and times of frames at word offsets, into the arrays given."""
    data[2:].take(words, out=seq, mode="clip")
    t_ms[:] = data[4:].take(words)
    t_ms <<= np.uint32(16)
    t_ms |= data[3:].take(words)


@lru_cache(maxsize=1)
def _entry_of_pair():
    """Entry of a frame that begins at word 0, by the word (length << 8 | type); no legal pair: too long to fit."""
    kinds = kind_of_pair()
    sizes = np.append(KIND_SIZES // 2, 0)[np.minimum(kinds, KIND_COUNT)]
    return np.where(kinds == NO_KIND, _TOO_LONG, kinds.astype(np.int16) * _STRIDE + sizes).astype(np.int16)


@lru_cache(maxsize=4)
def _end_tables(salts):
    """What a valid frame adds to its sector's register; uint32, shape (keys, kinds x 512), by entry."""
    tables = np.zeros((len(salts), KIND_COUNT, _STRIDE), dtype=np.uint32)
    operators = crc_tables.advance_words()[::-1]  # by end word: M of what is left of the sector
    for kind in range(KIND_COUNT):
        starts = np.zeros(len(salts), dtype=np.uint32) if kind == HEADER_KIND else np.array(salts, dtype=np.uint32)
        own = crc_tables.valid_frame_register(KIND_SIZES[kind], starts)
        pieces = [operators[:, byte, (own >> np.uint32(8 * byte)) & 0xFF] for byte in range(4)]
        tables[:, kind, : SECTOR_WORDS + 1] = (pieces[0] ^ pieces[1] ^ pieces[2] ^ pieces[3]).T
    return tables.reshape(len(salts), KIND_COUNT * _STRIDE)


def _candidates(words):
    """Places of what begins like a frame: word offset, word in the sector, entry.

    Some are none (a sync word in a payload): their end, entry % 512, is past the sector.
    """
    at = np.flatnonzero(words[:-1] == SYNC_WORD)
    inside = at.astype(np.uint8).astype(np.int16)  # a sector has 256 words: the number's low byte
    entry = _entry_of_pair().take(words[1:].take(at))
    entry += inside
    return at, inside, entry


def _chunk(blocks, first, last, text, tables):
    """Data frames of the settled blocks among first to last, as word offsets and kinds; which blocks those are."""
    data = blocks.data[first * SECTOR_SIZE : last * SECTOR_SIZE]
    at, inside, entry = _candidates(data.view("<u2"))
    owner = blocks.owner[first:last]
    count = last - first
    end = entry & (_STRIDE - 1)
    none = np.flatnonzero(end > SECTOR_WORDS)
    if owner[0] >= 0 and (owner == owner[0]).all():
        parts = tables[owner[0]].take(entry)
    else:  # several boots or logs side by side; loose blocks may take any table, their group fails anyway
        parts = tables[np.maximum(owner, 0)[at >> 8], entry]
    parts[none] = 0

    registers = _predicted(parts, at, inside, end, count)
    for block in text - first:
        registers[block] = _register(data[block * SECTOR_SIZE : (block + 1) * SECTOR_SIZE])
    whole = owner >= 0
    if last == blocks.count and blocks.size < blocks.count * SECTOR_SIZE:
        whole[-1] = False  # a cut sector is always looked at closely
    good = _groups_as_predicted(data, registers, whole)
    kind = (entry >> 9).astype(np.uint8)
    keep = kind != HEADER_KIND
    keep[none] = False
    if len(text) or not good.all():
        is_text = np.zeros(count, dtype=bool)
        is_text[text - first] = True
        keep &= (good & ~is_text)[at >> 8]
    chosen = np.flatnonzero(keep)  # three times as fast as a mask
    return at.take(chosen), kind.take(chosen), good


def _predicted(parts, at, inside, end, count):
    """Register that each block leaves if its header and all its frames are valid; uint32, shape (count,)."""
    registers = np.zeros(count, dtype=np.uint32)
    begins = np.flatnonzero(inside == 0)
    if len(begins) < count:  # a block without header must not be taken for the end of the one before it
        begins = np.flatnonzero(np.diff(at >> 8, prepend=-1))
    if len(begins) == 0:
        return registers
    sums = np.bitwise_xor.accumulate(parts)  # two of them differ by what lies between, as with any running sum
    lasts = np.append(begins[1:], len(at)) - 1
    own = sums.take(lasts)
    own[1:] ^= sums.take(lasts[:-1])
    ends = end.take(lasts)
    while ends.max() > SECTOR_WORDS:  # the last one of a block is none: the one before it counts
        lasts = np.maximum(lasts - (ends > SECTOR_WORDS), begins)
        following = end.take(lasts)
        ends = np.where((lasts == begins) & (following > SECTOR_WORDS), SECTOR_WORDS, following)
    own ^= crc_tables.fill_registers().take(ends)
    registers[at.take(begins) >> 8] = own
    return registers


def _register(data):
    """F of some bytes: zlib's value with the register begun at 0, which is a start value of all ones."""
    return crc32(data, crc_tables.ALL_ONES) ^ crc_tables.ALL_ONES


def _groups_as_predicted(data, registers, usable):
    """Blocks whose group, or else they themselves, have the predicted CRC; bool, shape (blocks,)."""
    count = len(registers)
    missing = -count % GROUP  # zeros in front of a short last group change no register
    padded = np.concatenate(
        [registers[: count - count % GROUP], np.zeros(missing, np.uint32), registers[count - count % GROUP :]]
    )
    expected = crc_tables.joined(padded.reshape(-1, GROUP)) ^ np.uint32(crc_tables.ALL_ONES)
    usable = np.concatenate([usable, np.ones(missing, dtype=bool)])  # behind: same group, order does not matter here
    view = memoryview(data)
    size = GROUP * SECTOR_SIZE
    found = [crc32(view[begin : begin + size], crc_tables.ALL_ONES) for begin in range(0, len(view), size)]
    good = (np.array(found, dtype=np.uint32) == expected) & usable.reshape(-1, GROUP).all(axis=1)
    settled = np.repeat(good, GROUP)[:count]
    doubtful = np.flatnonzero(~settled & usable[:count])
    if len(doubtful) < count // 2:  # in a stretch that is hurt all over it is not worth the calls
        begins = (doubtful * SECTOR_SIZE).tolist()
        found = [crc32(view[begin : begin + SECTOR_SIZE], crc_tables.ALL_ONES) for begin in begins]
        settled[doubtful] = np.array(found, dtype=np.uint32) ^ np.uint32(crc_tables.ALL_ONES) == registers[doubtful]
    return settled

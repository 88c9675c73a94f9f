"""The careful road: the intact frames of damaged sectors, at any byte offset, each checked by its own CRC.

Taken for blocks that predict.py could not settle. Every sync word at any offset is looked at, so lost or inserted
bytes cost only the frames they hit. A frame that begins in an owned block must carry that block's salt: what an older
flight left behind a torn write fails its CRC. One that begins in a loose block may carry the salt of any log and boot
of the source, also of a header found in the rubble itself.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode import crc_tables
from ground.decode.sectors import LOOSE, Keys
from ground.decode.wire import (
    HEADER_KIND,
    KIND_COUNT,
    KIND_SIZES,
    NO_KIND,
    SECTOR_SIZE,
    SYNC_WORD,
    frame_dtypes,
    kind_of_pair,
    rows_at,
)
from shared_protocol.frame import CRC_SIZE

_CHUNK = 8192  # blocks copied at a time, 4 MiB
_SLICE = 1 << 22  # bytes of loose data looked over at a time
_LONG_RUN = 64  # blocks
_BOOTS_AROUND = 2  # a boot may have written one sector only, whose header is hurt: its number is then guessed
_GUESSES_MAX = 200  # pairs whose neighbours are tried; a log of more boots than that has other troubles
_BOOT_MAX = 0xFFFFFFFF


@dataclass
class Rough:
    """What the careful road found.

    Attributes
    ----------
    starts, kinds, keys : numpy.ndarray, shape (n,)
        Intact frames: offset, kind, key number; rising by offset. Header frames count only in loose blocks.
    failed : numpy.ndarray of int64, shape (m,)
        Offsets that look like a frame (sync, legal type and length) and are none.
    """

    starts: np.ndarray
    kinds: np.ndarray
    keys: np.ndarray
    failed: np.ndarray


def rough_frames(blocks, clean):
    """Frames of the blocks that are not clean. New headers in loose blocks add their pair to `blocks.keys`."""
    wanted = ~clean & (blocks.owner >= 0)
    wanted |= _loose_blocks_with_sync(blocks)
    follower = np.zeros(blocks.count, dtype=bool)
    follower[1:] = wanted[:-1] & blocks.joined[:-1] & (blocks.owner[1:] < 0)
    found = _candidates(blocks, wanted, wanted | follower)
    _learn_keys(blocks, *found)
    return _match(blocks, *found)


def _loose_blocks_with_sync(blocks):
    """Loose blocks in which a frame may begin; bool, shape (blocks,). Long stretches of nothing cost one comparison."""
    result = np.zeros(blocks.count, dtype=bool)
    loose = blocks.owner < 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loose, [False]]).astype(np.int8)))
    data = blocks.data
    runs = np.stack([edges[::2], edges[1::2]], axis=1)
    long = runs[:, 1] - runs[:, 0] >= _LONG_RUN
    in_long = np.zeros(blocks.count + 1, dtype=np.int32)
    in_long[runs[long, 0]] += 1
    in_long[runs[long, 1]] -= 1
    result[loose & (np.cumsum(in_long)[:-1] == 0)] = True  # single ones are not worth a look of their own
    for first, last in runs[long] * SECTOR_SIZE:
        for begin in range(first, last, _SLICE):
            end = min(begin + _SLICE, last)
            even = data[begin:end].view("<u2")
            hits = [begin + 2 * np.flatnonzero(even == SYNC_WORD)]
            reach = min(end + 1, len(data))  # an odd word may reach one byte into the next slice
            odd_count = (reach - begin - 1) // 2
            odd = np.ndarray((odd_count,), dtype="<u2", buffer=data, offset=begin + 1)
            hits.append(begin + 1 + 2 * np.flatnonzero(odd == SYNC_WORD))
            for at in hits:
                at = at[at + 3 < len(data)]
                pair = data[at + 2] | data[at + 3].astype(np.uint16) << 8
                result[at[kind_of_pair()[pair] != NO_KIND] // SECTOR_SIZE] = True
    return result


def _candidates(blocks, begin_in, needed):
    """Everything in the blocks `begin_in` that looks like a frame, and how far its CRC is from an unsalted one.

    Returns starts, kinds and syndromes: syndrome = crc32(body, 0) ^ stored CRC, which for a valid frame is
    M[len(body)](salt).
    """
    numbers = np.flatnonzero(needed)
    starts, kinds, syndromes = [np.empty(0, np.int64)], [np.empty(0, np.uint8)], [np.empty(0, np.uint32)]
    whole = blocks.data.reshape(-1, SECTOR_SIZE)
    many = len(numbers) * 16 > crc_tables.MANY_FRAMES
    for first in range(0, len(numbers), _CHUNK):
        source = numbers[first : first + _CHUNK + 1]  # one more than is searched: a frame may run into it
        copy = whole[source].ravel()
        at = _sync_offsets(copy)
        place = at // SECTOR_SIZE
        at = at[(place < _CHUNK) & begin_in[source[np.minimum(place, len(source) - 1)]]]
        kind = kind_of_pair()[copy[at + 2] | copy[at + 3].astype(np.uint16) << 8]
        at, kind = at[kind != NO_KIND], kind[kind != NO_KIND]
        size = KIND_SIZES[kind]
        fits = at + size <= len(copy)
        at, kind, size = at[fits], kind[fits], size[fits]
        here, there = source[at // SECTOR_SIZE], source[(at + size - 1) // SECTOR_SIZE]
        start = here * SECTOR_SIZE + at % SECTOR_SIZE
        fits = (start + size <= blocks.size) & ((here == there) | ((there == here + 1) & blocks.joined[here]))
        at, kind, start = at[fits], kind[fits], start[fits]
        starts.append(start)
        kinds.append(kind)
        syndromes.append(_syndromes(copy, at, kind, many))
    return np.concatenate(starts), np.concatenate(kinds), np.concatenate(syndromes)


def _sync_offsets(data):
    """Offsets of the sync word that leave room for the type and the length after it, rising."""
    low, high = SYNC_WORD & 0xFF, SYNC_WORD >> 8
    return np.flatnonzero((data[:-3] == np.uint8(low)) & (data[1:-2] == np.uint8(high)))


def _syndromes(data, starts, kinds, many):
    result = np.empty(len(starts), dtype=np.uint32)
    for kind in range(KIND_COUNT):
        chosen = np.flatnonzero(kinds == kind)
        if len(chosen) == 0:
            continue
        rows = rows_at(data, starts[chosen], int(KIND_SIZES[kind]))
        stored = np.ascontiguousarray(rows[:, -CRC_SIZE:]).view("<u4").ravel()
        result[chosen] = crc_tables.fixed_length_crc(rows[:, :-CRC_SIZE], many) ^ stored
    return result


def _learn_keys(blocks, starts, kinds, syndromes):
    """Headers that stand in loose blocks name logs and boots too."""
    headers = starts[(kinds == HEADER_KIND) & (syndromes == 0) & (blocks.owner[starts // SECTOR_SIZE] == LOOSE)]
    if len(headers):
        found = rows_at(blocks.data, headers, int(KIND_SIZES[HEADER_KIND])).view(frame_dtypes()[HEADER_KIND]).ravel()
        for pair in sorted(set(zip(found["log_id"].tolist(), found["boot"].tolist(), strict=True))):
            blocks.keys.add(*pair)


def _match(blocks, starts, kinds, syndromes):
    """Sort candidates into intact frames, with their key, and failures."""
    guesses = _with_guesses(blocks.keys)
    salts = guesses.salts()
    owner = blocks.owner[starts // SECTOR_SIZE]
    key = np.full(len(starts), LOOSE, dtype=np.int32)
    for kind in range(KIND_COUNT):
        chosen = np.flatnonzero(kinds == kind)
        if len(chosen) == 0 or len(salts) == 0 or kind == HEADER_KIND:
            continue
        expected = crc_tables.advance(salts, int(KIND_SIZES[kind]) - CRC_SIZE)
        own = owner[chosen]
        ok = (own >= 0) & (syndromes[chosen] == expected[np.maximum(own, 0)])
        key[chosen[ok]] = own[ok]
        loose = chosen[own == LOOSE]
        order = np.argsort(expected, kind="stable")
        place = np.minimum(np.searchsorted(expected[order], syndromes[loose]), len(order) - 1)
        match = order[place]
        ok = expected[match] == syndromes[loose]
        key[loose[ok]] = match[ok]
    header = (kinds == HEADER_KIND) & (syndromes == 0)
    intact = key >= 0
    failed = starts[~intact & ~header]
    starts, kinds, key = _first_of_overlapping(starts[intact], kinds[intact], key[intact])
    return Rough(starts, kinds, _numbers_in(blocks.keys, guesses, key), failed)


def _with_guesses(keys):
    """The known pairs and, behind them, boots of the known logs that may have lost their only header."""
    guesses = Keys(list(keys.pairs), dict(keys.number))
    for log_id, boot in keys.pairs[:_GUESSES_MAX]:
        for near in range(max(boot - _BOOTS_AROUND, 0), min(boot + _BOOTS_AROUND, _BOOT_MAX) + 1):
            guesses.add(log_id, near)
    return guesses


def _numbers_in(keys, guesses, numbers):
    """Key numbers among the guesses as numbers among the real keys, which gain the guesses that came true."""
    translation = np.full(len(guesses.pairs), LOOSE, dtype=np.int32)
    for number in np.flatnonzero(np.bincount(numbers, minlength=len(translation))).tolist():
        translation[number] = keys.add(*guesses.pairs[number])
    return translation[numbers]


def _first_of_overlapping(starts, kinds, keys):
    """Of frames that overlap (one carried inside another's payload) keep the outer one, as a reader in order would."""
    ends = starts + KIND_SIZES[kinds]
    if not (starts[1:] < np.maximum.accumulate(ends)[:-1]).any():
        return starts, kinds, keys
    keep = np.zeros(len(starts), dtype=bool)
    reached = 0
    for n, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        if start >= reached:
            keep[n] = True
            reached = end
    return starts[keep], kinds[keep], keys[keep]

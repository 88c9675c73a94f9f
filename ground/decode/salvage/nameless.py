"""Whose frames are, where no sector header is left to say so: the salt of their CRC, worked out from themselves.

CRC is linear. For a whole frame `crc32(body, 0) ^ stored CRC` is its salt, sent through the register for as many bytes
as the body has (crc_tables.py), so every frame gives its salt back; what only looks like one gives a random number.
So where k different frames give the same salt, they are of one boot of one log. By chance k of n do so in
n^k / (k! x 2^(32 (k - 1))) cases; k is the lowest number for which that is below 10^-12, at least 4: 4 frames of
30 000 candidates, 6 of a million, 10 of a hundred million.

But errors repeat themselves, and chance does not count them: two frames with the same bit wrong at the same place give
the same wrong salt, and among a million frames with one bit error in a thousand hundreds do; so do all whose number or
time holds a byte that a terminal replaced. What tells them apart is where they lie. The frames of a boot stand beside
each other; equal errors are strewn among the frames of a boot, which are more (with p the rate of bit errors, a boot
has 1 / p times as many whole frames as frames with a certain bit wrong). So the groups with the same salt are judged in
order of size, and one that lies across a group believed before is not believed, unless half of its frames have three
others of it among the sixteen around them (16 frames of which one in 1 500 is of the group, p = 1e-3, hold three others
in one of 5 million cases) and its log and boot are written somewhere as well. If they are not, it has to have blocks of
its own, where files in pieces lie across each other: of all that looks like a frame in the blocks with frames of it at
least three quarters are of it. It may also not differ from a larger group as it would by one byte replaced everywhere,
and not begin after six days: zeros that were replaced make every time as late.

A salt is the CRC of the log's id and the boot's number. What is left of hurt headers says both in most cases; a pair
that stands there twice and gives the salt is the right one but for one chance in 2^32. So is a log named elsewhere in
the source, if a boot below 1000 of it gives the salt. Where nothing is left, only the differences of boots can be known
(CRC is linear: another id with other boots gives the same salts), so the numbers are a guess: such that boots rise as
they lie, as low as can be. That is good enough to tell logs apart and to join their boots.
"""

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from math import lgamma, log

import numpy as np

from ground.decode.frames import crc_tables, frame_check
from ground.decode.frames.wire import HEADER_KIND, KIND_SIZES, SECTOR_SIZE, SIZE_MAX, kind_of_pair, row_view, rows_at
from ground.decode.salvage.carve import SLICE, likely
from shared_protocol.crc import frame_salt
from shared_protocol.frame import CRC_SIZE, PREFIX_SIZE

_ENOUGH_MIN = 4  # different frames
_CHANCE = 1e-12  # that a salt is believed which none has
_AROUND = 8  # frames on either side of one
_BESIDE_MIN = 3  # of them with its salt: it is in its place
_OWN_SHARE = 0.75  # of what looks like a frame in blocks that are one boot's own: the rest is hurt
_BOOTS_MAX = 1000  # power-ups of one board that are thought of
_BOOTS_MOST = 64  # of one source, those with the most frames: a file made to be slow could hold a million
_GROUPS_MOST, _LOGS_MOST = 1 << 14, 1 << 12  # that are looked at, likewise
_LATE_MS = 1 << 29  # six days after power-up
_LARGER_MOST = 256  # groups that one is held against
_SEQ_AT = 4
_SEEN = np.dtype([("salt", "<u4"), ("t_ms", "<u4"), ("stamp", "<u8"), ("block", "<u4")])


@dataclass(frozen=True)
class Boot:
    """A boot known by its frames alone; `guessed` where nothing confirms its numbers."""

    log_id: int
    boot: int
    guessed: bool


def boots(buffers, known=()):
    """Boots of which some bytes hold frames, as list of Boot, rising.

    Parameters
    ----------
    buffers : iterable of numpy.ndarray of uint8
        Each judged by itself, in some ten times its memory at most.
    known : iterable of (int, int)
        Log id and boot that headers elsewhere name: frames of theirs are no news.
    """
    salts, named = {frame_salt(*pair) for pair in known}, {}
    log_ids, found = list(dict.fromkeys(log_id for log_id, _boot in sorted(set(known)))), []
    for data in buffers:
        seen, pairs = _looked_through(data)
        written = {frame_salt(*pair): pair for pair, count in pairs.items() if count > 1}
        values, counts = np.unique(seen["salt"], return_counts=True)
        written |= _of_known_logs(values[counts >= _enough(len(seen))], log_ids)
        more = _believed(seen, sorted(salts), written)[: _BOOTS_MOST - len(found)]
        salts.update(more)
        found += more
        named |= {salt: Boot(*written[salt], guessed=False) for salt in more if salt in written}
    guesses = _guesses([salt for salt in found if salt not in named])
    return sorted([*named.values(), *guesses], key=lambda one: (one.log_id, one.boot))


def _looked_through(data):
    """What may be different data frames, _SEEN, and how often each log id and boot stands where headers were."""
    slices = range(0, len(data), SLICE)
    at = np.concatenate([likely(data, begin, min(begin + SLICE, len(data))) for begin in slices] or [np.empty(0, int)])
    kinds = kind_of_pair()[data[at + 2] | data[at + 3].astype(np.uint16) << 8]
    inside = at + KIND_SIZES[kinds] <= len(data)
    at, kinds = at[inside], kinds[inside]
    is_header = kinds == HEADER_KIND
    return _once(_seen(data, at[~is_header], kinds[~is_header])), Counter(_pairs_named(data, at[is_header]))


def _once(seen):
    """Different frames in the order in which they lie: one that is there twice proves nothing."""
    # number and time are in 32 bits: two frames that share them count as one, which is on the safe side
    return seen[np.sort(np.unique(seen["stamp"], return_index=True)[1])]


def _enough(count):
    """How many of so many frames must give the same salt so that chance can be left out."""
    k = _ENOUGH_MIN
    while k * log(max(count, 1)) - lgamma(k + 1) - 32 * (k - 1) * log(2) > log(_CHANCE):
        k += 1
    return k


def _believed(seen, known, written):
    """Salts that are those of boots, apart from the known ones, in the order in which they lie; list of int.

    `written`: salts of logs and boots whose numbers stand somewhere.
    """
    values, numbers, counts = np.unique(seen["salt"], return_inverse=True, return_counts=True)
    is_known = np.isin(values, np.array(known, dtype=np.uint32))
    often = np.flatnonzero((counts >= _enough(len(seen))) | is_known)
    often = often[np.lexsort((-counts[often], ~is_known[often]))][:_GROUPS_MOST]
    in_place = np.bincount(numbers, weights=_beside(seen["salt"]) >= _BESIDE_MIN, minlength=len(values))
    first, last = np.full(len(values), len(seen)), np.zeros(len(values), dtype=np.int64)
    np.minimum.at(first, numbers, np.arange(len(seen)))
    np.maximum.at(last, numbers, np.arange(len(seen)))
    earliest = np.full(len(values), 0xFFFFFFFF, dtype=np.uint32)
    np.minimum.at(earliest, numbers, seen["t_ms"])
    shares = _shares(seen["block"], numbers, counts) if len(seen) else counts
    taken, found = [], []
    for place, n in enumerate(often.tolist()):
        if not is_known[n]:
            across = any(first[n] <= last[m] and last[n] >= first[m] for m in taken)
            if int(values[n]) in written:
                believed = not across or 2 * in_place[n] >= counts[n]
            else:
                larger = values[often[:place][:_LARGER_MOST]]
                believed = earliest[n] < _LATE_MS and not _one_byte_apart(values[n], larger)
                believed = believed and not (across and shares[n] < _OWN_SHARE)
            if not believed:
                continue
            found.append(n)
        taken.append(n)
        if len(found) == _BOOTS_MOST:
            break
    return [int(values[n]) for n in sorted(found, key=lambda n: first[n])]


def _shares(blocks, numbers, counts):
    """By group: which part of all frames in the blocks with frames of it are of it.

    `blocks`, `numbers`: of the frames; `counts`: of the groups.
    """
    in_block = np.bincount(blocks)
    pairs = np.unique(numbers.astype(np.uint64) << np.uint64(32) | blocks)
    beside = np.bincount((pairs >> np.uint64(32)).astype(np.int64), weights=in_block[pairs & np.uint64(0xFFFFFFFF)])
    return counts / np.maximum(beside, 1)


def _one_byte_apart(salt, others):
    """Whether a salt is what another becomes in frames that all have the same byte wrong at the same place."""
    return bool(np.isin(others ^ salt, _one_byte_wrong()).any())


@lru_cache(maxsize=1)
def _one_byte_wrong():
    """What each wrong byte at each place of a frame makes of its salt; uint32."""
    change, changes = crc_tables.byte_table(0)[1:], []
    for _ in range(SIZE_MAX):
        change = crc_tables.retreat(change, 1)
        changes.append(change)
    return np.concatenate(changes)


def _beside(salts):
    """How many of the frames around each give the same salt as it."""
    counts = np.zeros(len(salts), dtype=np.int64)
    for apart in range(1, min(_AROUND, len(salts) - 1) + 1):
        same = salts[apart:] == salts[:-apart]
        counts[apart:] += same
        counts[:-apart] += same
    return counts


def _seen(data, starts, kinds):
    """Salt, time, and salt with number and time in one word, of what looks like data frames; _SEEN."""
    seen = np.empty(len(starts), dtype=_SEEN)
    if len(starts) == 0:
        return seen
    syndromes = frame_check.syndromes(data, starts, kinds)
    for kind in np.unique(kinds).tolist():
        mine = kinds == kind
        seen["salt"][mine] = crc_tables.retreat(syndromes[mine], int(KIND_SIZES[kind]) - CRC_SIZE)
    both = row_view(data, 6)[starts + _SEQ_AT].view(np.dtype([("seq", "<u2"), ("t_ms", "<u4")]))
    seen["t_ms"], seen["block"] = both["t_ms"], starts // SECTOR_SIZE
    seen["stamp"] = seen["salt"].astype(np.uint64) << np.uint64(32) | (both["t_ms"] ^ both["seq"].astype("u4") << 16)
    return seen


def _pairs_named(data, marks):
    """(log id, boot) that stand where hurt headers may have been: at sector marks and at the beginnings of blocks."""
    off_blocks = marks[marks % SECTOR_SIZE != 0]
    whole = data[: len(data) // SECTOR_SIZE * SECTOR_SIZE].reshape(-1, SECTOR_SIZE)
    named = np.ascontiguousarray(whole[:, PREFIX_SIZE : PREFIX_SIZE + 8]).view("<u4")
    return map(tuple, np.concatenate([named, rows_at(data, off_blocks + PREFIX_SIZE, 8).view("<u4")]).tolist())


def _boots_share():
    """What each boot's number adds to a salt: crc32(log id, boot) = crc32(0, boot) ^ M[8](log id)."""
    return np.array([frame_salt(0, boot) for boot in range(_BOOTS_MAX)], dtype=np.uint32)


def _of_known_logs(salts, log_ids):
    """(log id, boot) by salt, of those of some salts that a boot of a known log gives."""
    found, by_boot = {}, _boots_share()
    for log_id in log_ids[:_LOGS_MOST] if len(salts) else ():
        own = by_boot ^ np.uint32(frame_salt(log_id, 0) ^ frame_salt(0, 0))
        found |= {int(own[boot]): (log_id, boot) for boot in np.flatnonzero(np.isin(own, salts)).tolist()}
    return found


def _guesses(salts):
    """A Boot for each salt, given in the order in which they lie."""
    found, by_boot = [], _boots_share()
    while salts:
        ids = crc_tables.retreat(np.array(salts, dtype=np.uint32)[:, None] ^ by_boot, 8)
        values, counts = np.unique(ids, return_counts=True)
        if counts.max() == 1:  # no two of them are of one log
            return found + [Boot(log_id, 1, guessed=True) for log_id in ids[:, 1].tolist()]
        likeliest = values[counts == counts.max()].tolist()
        log_id = min(likeliest, key=lambda log_id: _oddity(np.nonzero(ids == log_id)[1]))
        rows, boots = np.nonzero(ids == log_id)
        found += [Boot(log_id, boot, guessed=True) for boot in boots.tolist()]
        salts = [salt for row, salt in enumerate(salts) if row not in rows]
    return found


def _oddity(boots):
    """How odd some numbers of boots would be: falling ones, a boot 0, high ones."""
    return bool((np.diff(boots) < 0).any()), bool((boots == 0).any()), int(boots.max())

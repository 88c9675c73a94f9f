"""The careful road: the intact frames of damaged sectors, at any byte offset, each checked by its own CRC.

Taken for blocks that predict.py could not settle, CHUNK blocks at a time on all cores. Every sync word at any offset is
looked at, so lost or inserted bytes cost only the frames they hit. A frame that begins in an owned block must carry
that block's salt: what an older flight left behind a torn write fails its CRC. One that begins in a loose block may
carry the salt of any log and boot of the source, also of a header found in the rubble itself: what does not fit the
block before it is tried again when all headers are known.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode import frame_check
from ground.decode.candidates import looks_like_frames, near_copy
from ground.decode.found import NOTHING, Found
from ground.decode.predict import CHUNK
from ground.decode.sectors import LOOSE, Keys
from ground.decode.threads import each
from ground.decode.wire import HEADER_KIND, KIND_COUNT, KIND_SIZES, SECTOR_SHIFT, SECTOR_SIZE, frame_dtypes, rows_at

_BOOTS_AROUND = 2  # a boot may have written one sector only, whose header is hurt: its number is then guessed
_GUESSES_MAX = 200  # pairs whose neighbours are tried; a log of more boots than that has other troubles
_BOOT_MAX = 0xFFFFFFFF
_NONE = np.empty(0, np.int64)


@dataclass
class Rough:
    """What the careful road found in CHUNK blocks.

    Attributes
    ----------
    found : found.Found
        Intact data frames, rising by offset.
    failed : numpy.ndarray of int64, shape (m,)
        Offsets that look like a frame (sync, legal type and length) and are none; rising.
    """

    found: Found
    failed: np.ndarray


@dataclass
class _Loose:
    """Candidates in blocks without an owner that fit no presumed one; their `keys` are to come."""

    found: Found
    syndromes: np.ndarray


def rough_frames(blocks, settled):
    """Frames of the blocks that are not settled: one Rough for each CHUNK of them.

    New headers in loose blocks add their pair to `blocks.keys`.
    """
    expected = frame_check.expected(blocks.keys.salts()) if blocks.keys.pairs else None
    presumed = _presumed_owners(blocks.owner)
    firsts = range(0, blocks.count, CHUNK)
    looked = each(lambda first: _look(blocks, settled, first, presumed, expected), firsts)
    parts = [part for part, _loose in looked]
    if any(loose for _part, loose in looked):
        _match_loose(blocks, parts, [loose for _part, loose in looked])
    _keep_outer_frames(parts)
    return parts


def _presumed_owners(owner):
    """The owner of each block or, in a loose one, of the last owned block before it: the first salt to be tried."""
    if (owner >= 0).all() or not (owner >= 0).any():
        return owner
    last_owned = np.maximum.accumulate(np.where(owner >= 0, np.arange(len(owner)), 0))
    return owner[last_owned]


def _look(blocks, settled, first, presumed, expected):
    """The frames of one chunk under their block's presumed owner, and what else may be frames in loose blocks."""
    last = min(first + CHUNK, blocks.count)
    source = np.flatnonzero(~settled[first:last]) + first
    if len(source) == 0:
        return Rough(NOTHING, _NONE), None
    own = len(source)
    if source[-1] == last - 1 and last < blocks.count and not settled[last]:
        source = np.append(source, last)  # a frame may run into it; those that begin there are the next chunk's
    data = near_copy(blocks, source)
    at, kinds = looks_like_frames(blocks, source, data)
    if own < len(source):
        begun = np.searchsorted(at, own * SECTOR_SIZE)
        at, kinds = at[:begun], kinds[:begun]
    syndromes, seq, t_ms = _checked(data, at, kinds)
    place = at >> SECTOR_SHIFT
    at += ((source - np.arange(len(source))) * SECTOR_SIZE).take(place)  # from here on places in the whole
    found = Found(at, kinds, presumed[source].take(place), seq, t_ms)
    loose = blocks.owner[source] < 0
    return _sorted_out(found, loose.take(place) if loose.any() else None, syndromes, expected)


def _checked(data, at, kinds):
    """Syndromes, sequence numbers and times of candidates of several kinds, kind by kind."""
    syndromes, seq = np.empty(len(at), dtype=np.uint32), np.empty(len(at), dtype=np.uint16)
    t_ms = np.empty(len(at), dtype=np.uint32)
    check = frame_check.of_this_thread()
    for kind in np.flatnonzero(np.bincount(kinds, minlength=KIND_COUNT)).tolist():
        chosen = np.flatnonzero(kinds == kind)
        syndromes[chosen], seq[chosen], t_ms[chosen] = check.look(data, at.take(chosen), kind)
    return syndromes, seq, t_ms


def _sorted_out(candidates, loose, syndromes, expected):
    """Candidates as frames of their block's presumed owner, failures and, in loose blocks, what still may be frames."""
    kinds, owners = candidates.kinds, candidates.keys
    if expected is None:
        intact = np.zeros(len(kinds), dtype=bool)
    else:
        wanted = expected[:, 0].take(kinds) if expected.shape[1] == 1 else expected[kinds, owners]
        intact = (syndromes == wanted) & (kinds != HEADER_KIND) & (owners >= 0)
    found = _only(candidates, intact)
    if loose is None:
        return Rough(found, candidates.starts[_failed(intact, kinds, syndromes)]), None
    failed = candidates.starts[_failed(intact, kinds, syndromes) & ~loose]
    loose = np.flatnonzero(loose & ~intact)
    return Rough(found, failed), _Loose(Found(*(column.take(loose) for column in candidates)), syndromes.take(loose))


def _failed(intact, kinds, syndromes):
    """Neither an intact frame nor an intact header."""
    failed = ~intact
    places = np.flatnonzero(failed)
    failed[places[(kinds[places] == HEADER_KIND) & (syndromes[places] == 0)]] = False
    return failed


def _only(found, mask):
    chosen = np.flatnonzero(mask)
    return found if len(chosen) == len(mask) else Found(*(column.take(chosen) for column in found))


def _match_loose(blocks, parts, loose):
    """Give the candidates in loose blocks the keys that their CRC fits; those of none have failed."""
    for one in loose:
        if one:
            _learn_keys(blocks, one)
    guesses = _with_guesses(blocks.keys)
    tables = []
    for values in frame_check.expected(guesses.salts()) if guesses.pairs else []:
        order = np.argsort(values, kind="stable")
        tables.append((values[order], order.astype(np.int32)))

    def match(one):
        keys = np.full(len(one.syndromes), LOOSE, dtype=np.int32)
        for kind in range(KIND_COUNT) if tables else ():
            chosen = np.flatnonzero(one.found.kinds == kind)
            if kind == HEADER_KIND or len(chosen) == 0:
                continue
            values, numbers = tables[kind]
            place = np.minimum(np.searchsorted(values, one.syndromes[chosen]), len(values) - 1)
            keys[chosen] = np.where(values[place] == one.syndromes[chosen], numbers[place], LOOSE)
        return keys

    matched = each(lambda one: match(one) if one else None, loose)
    true_numbers = _true_numbers(blocks.keys, guesses, matched)
    for n, (one, keys) in enumerate(zip(loose, matched, strict=True)):
        if one:
            intact = keys >= 0
            starts = one.found.starts[_failed(intact, one.found.kinds, one.syndromes)]
            found = _only(one.found._replace(keys=true_numbers[keys]), intact)
            parts[n] = Rough(_sorted(parts[n].found, found), np.sort(np.concatenate([parts[n].failed, starts])))


def _sorted(these, those):
    """Two sets of frames as one, rising by offset; the second is mostly empty."""
    if len(those.starts) == 0:
        return these
    both = Found(*(np.concatenate(column) for column in zip(these, those, strict=True)))
    order = np.argsort(both.starts, kind="stable")
    return Found(*(column.take(order) for column in both))


def _learn_keys(blocks, loose):
    """Headers that stand in loose blocks name logs and boots too."""
    headers = loose.found.starts[(loose.found.kinds == HEADER_KIND) & (loose.syndromes == 0)]
    if len(headers):
        found = rows_at(blocks.data, headers, int(KIND_SIZES[HEADER_KIND])).view(frame_dtypes()[HEADER_KIND]).ravel()
        pairs = np.unique(np.stack([found["log_id"], found["boot"]]), axis=1)
        for pair in pairs.T.tolist():
            blocks.keys.add(*pair)


def _with_guesses(keys):
    """The known pairs and, behind them, boots of the known logs that may have lost their only header."""
    guesses = Keys(list(keys.pairs), dict(keys.number))
    for log_id, boot in keys.pairs[:_GUESSES_MAX]:
        for near in range(max(boot - _BOOTS_AROUND, 0), min(boot + _BOOTS_AROUND, _BOOT_MAX) + 1):
            guesses.add(log_id, near)
    return guesses


def _true_numbers(keys, guesses, matched):
    """Key numbers by guess number; the real keys gain the guesses that came true."""
    came_true = np.zeros(len(guesses.pairs) + 1, dtype=bool)
    for numbers in matched:
        if numbers is not None:
            came_true[numbers] = True  # LOOSE, which is -1, marks the last place
    translation = np.full(len(came_true), LOOSE, dtype=np.int32)
    for number in np.flatnonzero(came_true[:-1]).tolist():
        translation[number] = keys.add(*guesses.pairs[number])
    return translation


def _keep_outer_frames(parts):
    """Leave out frames that lie wholly inside of another (carried in its payload), as a reader in order would.

    Frames that share a few bytes are both kept: where the last byte of one was lost, the next one's first may fit.
    """
    reached = 0
    for part in parts:
        if len(part.found.starts) == 0:
            continue
        ends = part.found.starts + KIND_SIZES.take(part.found.kinds)
        if ends[0] <= reached or (ends[1:] <= ends[:-1]).any():
            part.found = _only(part.found, ends > np.maximum.accumulate(np.append(reached, ends[:-1])))
        reached = max(reached, int(ends.max()))

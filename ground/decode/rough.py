"""The careful road: the intact frames of damaged sectors, at any byte offset, each checked by its own CRC.

Taken for blocks that predict.py could not settle, CHUNK blocks at a time on all cores. Every sync word at any offset is
looked at, so lost or inserted bytes cost only the frames they hit. A frame that begins in an owned block must carry
that block's salt: what an older flight left behind a torn write fails its CRC. One that begins in a loose block may
carry the salt of any log and boot of the source, also of a header found in the rubble itself: what does not fit the
block before it is tried again when all headers are known.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ground.decode import frame_check
from ground.decode.candidates import at_even_offsets, elsewhere
from ground.decode.found import Batch, Found, batch_of, in_place, stamped
from ground.decode.predict import CHUNK, keys_of, places_in, without
from ground.decode.sectors import LOOSE, Keys
from ground.decode.threads import each
from ground.decode.wire import (
    HEADER_KIND,
    KIND_COUNT,
    KIND_SIZES,
    SECTOR_SHIFT,
    SECTOR_WORDS,
    frame_dtypes,
    rows_at,
)

_BOOTS_AROUND = 2  # a boot may have written one sector only, whose header is hurt: its number is then guessed
_GUESSES_MAX = 200  # pairs whose neighbours are tried; a log of more boots than that has other troubles
_BOOT_MAX = 0xFFFFFFFF


class Frames(NamedTuple):
    """Where frames stand, rising."""

    starts: np.ndarray  # int64
    kinds: np.ndarray  # uint8

    def only(self, chosen):
        """Those of these numbers."""
        return Frames(self.starts.take(chosen), self.kinds.take(chosen))


class Maybe(NamedTuple):
    """Candidates in loose blocks that fit no presumed owner, rising; three arrays of one length."""

    starts: np.ndarray
    kinds: np.ndarray
    syndromes: np.ndarray  # uint32


@dataclass
class Rough:
    """What a close look at CHUNK blocks gave.

    Attributes
    ----------
    batch : found.Batch
        All intact data frames in them.
    frames : Frames
        Those in the blocks that the fast road had not settled.
    failed : numpy.ndarray of int64, shape (m,)
        Offsets that look like a frame (sync, legal type and length) and are none; rising.
    maybe : Maybe
        What may be frames when all headers are known; used up by `_match_loose`.
    """

    batch: Batch
    frames: Frames
    failed: np.ndarray
    maybe: Maybe


_NONE = np.empty(0, np.int64)
_NO_FRAMES = Frames(_NONE, np.empty(0, np.uint8))
_NOTHING_LEFT = Maybe(*_NO_FRAMES, np.empty(0, np.uint32))


def look_closely(blocks, attempts, text, hurt_headers, slots):
    """A Rough for each Attempt; new headers in loose blocks add their pair to `blocks.keys`.

    Parameters
    ----------
    blocks : sectors.Blocks
    attempts : list of predict.Attempt
    text, hurt_headers : numpy.ndarray of int64
        Numbers of the intact text blocks, and of those taken for owned until their header proved hurt.
    slots : found.Slots
    """
    search = _Search(blocks, text, hurt_headers, slots)
    parts = each(search.look, enumerate(attempts))
    if any(len(part.maybe.starts) for part in parts):
        _match_loose(blocks, parts)
    _keep_outer_across(parts)
    return parts


class _Search:
    """The look at one chunk, and what it needs to know of all of them."""

    def __init__(self, blocks, text, hurt_headers, slots):
        self._blocks, self._hurt_headers, self._slots = blocks, hurt_headers, slots
        self._expected = frame_check.expected(blocks.keys.salts()) if blocks.keys.pairs else None
        self._presumed = _presumed_owners(blocks.owner)
        self._all_owned = bool((blocks.owner >= 0).all())
        self._is_text = np.zeros(blocks.count, dtype=bool)
        self._is_text[text] = True

    def look(self, numbered):
        """The Rough of an attempt with its number."""
        chunk, attempt = numbered
        if attempt.batch:
            return Rough(attempt.batch, _NO_FRAMES, _NONE, _NOTHING_LEFT)
        first = chunk * CHUNK
        hurt = places_in(attempt.at, ~attempt.good)
        even = at_even_offsets(self._blocks, first, attempt, hurt)
        here = Frames((attempt.at.take(even) + first * SECTOR_WORDS) * 2, attempt.kinds.take(even))
        there = Frames(*elsewhere(self._blocks, first, attempt.good, self._hurt_headers))
        intact, failed, maybe = self._sorted_out(here)
        even, here = even.take(intact), here.only(intact)
        if len(there.starts):
            intact, others_failed, others_maybe = self._sorted_out(there)
            there = there.only(intact)
            if len(others_failed):
                failed = np.sort(np.concatenate([failed, others_failed]), kind="stable")  # two rising runs
            maybe = Maybe(*in_place(maybe, others_maybe))
        frames = Frames(*in_place(here, there)) if len(there.starts) else here
        outer = _outer(frames)
        if outer is not None:
            inner, frames = frames.starts[~outer], frames.only(np.flatnonzero(outer))
            even = even[~np.isin(here.starts, inner)]
            there = there.only(np.flatnonzero(~np.isin(there.starts, inner)))
        is_none = np.zeros(len(attempt.at), dtype=bool)
        is_none[attempt.none] = is_none[hurt] = True
        is_none[even] = False
        return Rough(batch_of(self._found(chunk, attempt, is_none, there)), frames, failed, maybe)

    def _sorted_out(self, candidates):
        """Numbers of those that are frames of their block's presumed owner; where failures are; what may be frames."""
        kinds = candidates.kinds
        place = candidates.starts >> SECTOR_SHIFT
        owners = self._presumed.take(place)
        syndromes = _syndromes(self._blocks.data, candidates)
        if self._expected is None:
            intact = np.zeros(len(kinds), dtype=bool)
        else:
            alone = self._expected.shape[1] == 1
            wanted = self._expected[:, 0].take(kinds) if alone else self._expected[kinds, owners]
            intact = (syndromes == wanted) & (kinds != HEADER_KIND) & (owners >= 0)
        failed, maybe = _failed(intact, kinds, syndromes), _NOTHING_LEFT
        if not self._all_owned:
            loose = self._blocks.owner.take(place) < 0
            failed &= ~loose
            left = np.flatnonzero(loose & ~intact)
            maybe = Maybe(*candidates.only(left), syndromes.take(left))
        return np.flatnonzero(intact), candidates.starts.take(np.flatnonzero(failed)), maybe

    def _found(self, chunk, attempt, is_none, others):
        """The attempt's candidates that are frames, all but those of a mask, and others that are, as Found."""
        first = chunk * CHUNK
        mine = slice(first, first + len(attempt.good))
        if self._is_text[mine].any():
            is_none[places_in(attempt.at, self._is_text[mine])] = True
        words, kinds = without((attempt.at, attempt.kinds), np.flatnonzero(is_none))
        keys = keys_of(self._presumed[mine], words)
        words += first * SECTOR_WORDS
        found = self._slots.fill(chunk, (words, kinds, keys), self._blocks.data.view("<u2"))
        if len(others.starts) == 0:
            return found
        keys = self._presumed.take(others.starts >> SECTOR_SHIFT)
        return Found(*in_place(found, stamped(self._blocks.data, *others, keys)))


def _presumed_owners(owner):
    """The owner of each block or, in a loose one, of the last owned block before it: the first salt to be tried."""
    if (owner >= 0).all() or not (owner >= 0).any():
        return owner
    last_owned = np.maximum.accumulate(np.where(owner >= 0, np.arange(len(owner)), 0))
    return owner[last_owned]


def _syndromes(data, candidates):
    """Syndromes of candidates of several kinds, kind by kind; uint32."""
    syndromes = np.empty(len(candidates.kinds), dtype=np.uint32)
    check = frame_check.of_this_thread()
    for kind in np.flatnonzero(np.bincount(candidates.kinds, minlength=KIND_COUNT)).tolist():
        chosen = np.flatnonzero(candidates.kinds == kind)
        syndromes[chosen] = check.syndromes(data, candidates.starts.take(chosen), kind)
    return syndromes


def _failed(intact, kinds, syndromes):
    """Neither an intact frame nor an intact header."""
    failed = ~intact
    places = np.flatnonzero(failed)
    failed[places[(kinds[places] == HEADER_KIND) & (syndromes[places] == 0)]] = False
    return failed


def _match_loose(blocks, parts):
    """Give the candidates in loose blocks the keys that their CRC fits; those of none have failed."""
    for part in parts:
        _learn_keys(blocks, part.maybe)
    guesses = _with_guesses(blocks.keys)
    tables = []
    for values in frame_check.expected(guesses.salts()) if guesses.pairs else []:
        order = np.argsort(values, kind="stable")
        tables.append((values[order], order.astype(np.int32)))

    def match(part):
        maybe = part.maybe
        keys = np.full(len(maybe.syndromes), LOOSE, dtype=np.int32)
        for kind in range(KIND_COUNT) if tables else ():
            chosen = np.flatnonzero(maybe.kinds == kind)
            if kind == HEADER_KIND or len(chosen) == 0:
                continue
            values, numbers = tables[kind]
            place = np.minimum(np.searchsorted(values, maybe.syndromes[chosen]), len(values) - 1)
            keys[chosen] = np.where(values[place] == maybe.syndromes[chosen], numbers[place], LOOSE)
        return keys

    matched = each(match, parts)
    true_numbers = _true_numbers(blocks.keys, guesses, matched)
    for part, keys in zip(parts, matched, strict=True):
        if len(keys):
            _add_matched(blocks.data, part, keys >= 0, true_numbers[keys])


def _add_matched(data, part, intact, keys):
    """Put what turned out to be frames to the others, and what turned out to be none to the failures."""
    maybe, part.maybe = part.maybe, _NOTHING_LEFT
    failed = maybe.starts[_failed(intact, maybe.kinds, maybe.syndromes)]
    part.failed = np.sort(np.concatenate([part.failed, failed]), kind="stable")
    if intact.any():
        more = Frames(*maybe[:2]).only(np.flatnonzero(intact))
        part.frames = Frames(*in_place(part.frames, more))
        found = Found(*in_place(part.batch.found, stamped(data, *more, keys[intact])))
        outer = _outer(part.frames)
        if outer is None:
            part.batch = batch_of(found)
        else:
            _leave_out(part, found, ~outer)


def _learn_keys(blocks, maybe):
    """Headers that stand in loose blocks name logs and boots too."""
    headers = maybe.starts[(maybe.kinds == HEADER_KIND) & (maybe.syndromes == 0)]
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


def _outer(frames):
    """Frames that do not lie wholly inside of another (carried in its payload), as a mask; None if all of them.

    That is how a reader in order would take them. Frames that share a few bytes are both kept: where the last byte of
    one was lost, the next one's first may fit.
    """
    ends = frames.starts + KIND_SIZES.take(frames.kinds)
    if (ends[1:] > ends[:-1]).all():
        return None
    return ends > np.append(0, np.maximum.accumulate(ends)[:-1])


def _keep_outer_across(parts):
    """The same from chunk to chunk: a frame may run into the next one."""
    reached = 0
    for part in parts:
        if len(part.frames.starts):
            ends = part.frames.starts + KIND_SIZES.take(part.frames.kinds)
            if ends[0] <= reached:
                _leave_out(part, part.batch.found, ends <= reached)
            reached = max(reached, int(ends[-1]))


def _leave_out(part, found, inner):
    """Make the batch of `found` without the frames of a part for which `inner` is true."""
    outside = np.flatnonzero(~np.isin(found.starts, part.frames.starts[inner]))
    part.batch = batch_of(Found(*(column.take(outside) for column in found)))
    part.frames = part.frames.only(np.flatnonzero(~inner))

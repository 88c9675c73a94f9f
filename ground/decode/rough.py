"""The careful road: the intact frames of damaged sectors, at any byte offset, each checked by its own CRC.

Taken for blocks that predict.py could not settle, CHUNK blocks at a time on all cores. Every sync word at any offset is
looked at, so lost or inserted bytes cost only the frames they hit. A frame that begins in an owned block must carry
that block's salt: what an older flight left behind a torn write fails its CRC. One that begins in a loose block may
carry the salt of any log and boot of the source, also of a header found in the rubble itself: what does not fit the
block before it is tried again when all headers are known (loose.py).
"""

import numpy as np

from ground.decode import frame_check
from ground.decode.candidates import at_even_offsets, elsewhere
from ground.decode.close_look import NOTHING_LEFT, Frames, Maybe, Rough, failures, outer, untouched
from ground.decode.found import Found, batch_of, in_place, stamped
from ground.decode.loose import match_loose
from ground.decode.predict import CHUNK, keys_of, places_in, without
from ground.decode.threads import each
from ground.decode.wire import HEADER_KIND, KIND_SIZES, SECTOR_SHIFT, SECTOR_WORDS


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
        match_loose(blocks, parts)
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
            return untouched(attempt.batch)
        first = chunk * CHUNK
        hurt = places_in(attempt.at, ~attempt.good)
        even = at_even_offsets(self._blocks, first, attempt, hurt)
        own = Frames((attempt.at.take(even) + first * SECTOR_WORDS) * 2, attempt.kinds.take(even), even)
        odd, odd_kinds = elsewhere(self._blocks, first, attempt.good, self._hurt_headers)
        others = Frames(odd, odd_kinds, np.full(len(odd), -1))
        frames, failed, headers, maybe = map(in_place, self._sorted_out(own), self._sorted_out(others))
        frames = Frames(*frames)
        outermost = outer(frames)
        if outermost is not None:
            frames = frames.only(np.flatnonzero(outermost))
        is_frame = np.ones(len(attempt.at), dtype=bool)
        is_frame[attempt.none] = is_frame[hurt] = False
        is_frame[frames.places[frames.places >= 0]] = True
        batch = batch_of(self._found(chunk, attempt, is_frame, frames.only(np.flatnonzero(frames.places < 0))))
        return Rough(batch, frames, failed[0], Frames(*headers), Maybe(*maybe))

    def _sorted_out(self, candidates):
        """Columns of frames of their block's presumed owner, of failures, of headers, of what may be frames."""
        kinds = candidates.kinds
        place = candidates.starts >> SECTOR_SHIFT
        owners = self._presumed.take(place)
        syndromes = frame_check.syndromes(self._blocks.data, candidates.starts, kinds)
        if self._expected is None:
            intact = np.zeros(len(kinds), dtype=bool)
        else:
            alone = self._expected.shape[1] == 1
            wanted = self._expected[:, 0].take(kinds) if alone else self._expected[kinds, owners]
            intact = (syndromes == wanted) & (kinds != HEADER_KIND) & (owners >= 0)
        (failed, headers), maybe = failures(intact, kinds, syndromes), NOTHING_LEFT
        if not self._all_owned:
            loose = self._blocks.owner.take(place) < 0
            failed &= ~loose
            left = np.flatnonzero(loose & ~intact)
            maybe = candidates.starts.take(left), kinds.take(left), syndromes.take(left)
        failed = candidates.starts.take(np.flatnonzero(failed))
        return candidates.only(np.flatnonzero(intact)), (failed,), candidates.only(headers), maybe

    def _found(self, chunk, attempt, is_frame, others):
        """The attempt's candidates that are frames, as a mask says, and others that are, as Found."""
        first = chunk * CHUNK
        mine = slice(first, first + len(attempt.good))
        if self._is_text[mine].any():
            is_frame[places_in(attempt.at, self._is_text[mine])] = False
        words, kinds = without((attempt.at, attempt.kinds), np.flatnonzero(~is_frame))
        keys = keys_of(self._presumed[mine], words)
        words += first * SECTOR_WORDS
        found = self._slots.fill(chunk, (words, kinds, keys), self._blocks.data.view("<u2"))
        if len(others.starts) == 0:
            return found
        keys = self._presumed.take(others.starts >> SECTOR_SHIFT)
        return Found(*in_place(found, stamped(self._blocks.data, others.starts, others.kinds, keys)))


def _presumed_owners(owner):
    """The owner of each block or, in a loose one, of the last owned block before it: the first salt to be tried."""
    if (owner >= 0).all() or not (owner >= 0).any():
        return owner
    last_owned = np.maximum.accumulate(np.where(owner >= 0, np.arange(len(owner)), 0))
    return owner[last_owned]


def _keep_outer_across(parts):
    """Leave out frames that lie wholly inside of another also where that one runs into the next chunk."""
    reached = 0
    for part in parts:
        if len(part.frames.starts):
            ends = part.frames.starts + KIND_SIZES.take(part.frames.kinds)
            if ends[0] <= reached:
                part.leave_out(ends <= reached)
            reached = max(reached, int(ends[-1]))

"""The careful road: the intact frames of damaged sectors, at any byte offset, each checked by its own CRC.

Taken for blocks that predict.py could not settle, while they are still near the processor. Every sync word at any
offset is looked at, so lost or inserted bytes cost only the frames they hit. A frame that begins in an owned block must
carry that block's salt: what an older flight left behind a torn write fails its CRC. One that begins in a loose block
may carry the salt of any log and boot of the source, also of a header found in the rubble itself: what does not fit the
block before it is tried again when all headers are known (loose.py).
"""

import numpy as np

from ground.decode.frames import frame_check
from ground.decode.frames.candidates import at_even_offsets, elsewhere
from ground.decode.frames.close_look import NOTHING_LEFT, Frames, Maybe, Rough, failures, outer
from ground.decode.frames.found import Found, batch_of, in_place, stamped
from ground.decode.frames.loose import match_loose
from ground.decode.frames.predict import keys_of, only, places_in
from ground.decode.frames.sectors import LOOSE
from ground.decode.frames.wire import HEADER_KIND, KIND_SIZES, SECTOR_SHIFT, SECTOR_WORDS


class CloseLook:
    """Makes the Rough of each chunk of blocks; from several threads at once, if need be.

    Parameters
    ----------
    blocks : sectors.Blocks
    text : numpy.ndarray of int64
        Numbers of the intact text blocks.
    slots : found.Slots
    """

    def __init__(self, blocks, text, slots):
        self._blocks, self._slots = blocks, slots
        self._expected = frame_check.expected(blocks.keys.salts()) if blocks.keys.pairs else None
        self._claimed = blocks.owner.copy()  # also by headers that will prove hurt, so that no thread waits for another
        self._is_text = np.zeros(blocks.count, dtype=bool)
        self._is_text[text] = True

    def look(self, chunk, attempt, hurt_headers):
        """The Rough of the chunk with this number, from its Attempt.

        `hurt_headers` are the numbers of those of its blocks that were taken for owned until their header proved hurt.
        """
        first = chunk * self._blocks.chunk
        presumed = self._presumed_owners(first, first + len(attempt.good))
        hurt = places_in(attempt.at, ~attempt.good)
        even = at_even_offsets(self._blocks, first, attempt, hurt)
        own = Frames((attempt.at.take(even) + first * SECTOR_WORDS) * 2, attempt.kinds.take(even), even)
        odd, odd_kinds = elsewhere(self._blocks, first, attempt.good, hurt_headers)
        others = Frames(odd, odd_kinds, np.full(len(odd), -1))
        sorted_out = self._sorted_out(own, first, presumed), self._sorted_out(others, first, presumed)
        frames, failed, headers, maybe = map(in_place, *sorted_out)
        frames = Frames(*frames)
        outermost = outer(frames)
        if outermost is not None:
            frames = frames.only(np.flatnonzero(outermost))
        is_frame = np.ones(len(attempt.at), dtype=bool)
        is_frame[attempt.none] = is_frame[hurt] = False
        is_frame[frames.places[frames.places >= 0]] = True
        others = frames.only(np.flatnonzero(frames.places < 0))
        batch = batch_of(self._found(chunk, attempt, is_frame, others, presumed))
        return Rough(batch, frames, failed[0], Frames(*headers), Maybe(*maybe))

    def _presumed_owners(self, first, last):
        """The owner of each block or, in a loose one, of the last owned block before it: the first salt to be tried."""
        owner = self._blocks.owner[first:last]
        if (owner >= 0).all():
            return owner
        claimed = self._claimed[:first]
        before = claimed[claimed >= 0][-1:].tolist() if owner[0] < 0 else []
        owned = np.maximum.accumulate(np.where(owner >= 0, np.arange(len(owner)), -1))
        return np.where(owned >= 0, owner.take(owned), np.int32(before[0] if before else LOOSE))

    def _sorted_out(self, candidates, first, presumed):
        """Columns of frames of their block's presumed owner, of failures, of headers, of what may be frames."""
        kinds = candidates.kinds
        place = (candidates.starts >> SECTOR_SHIFT) - first
        owners = presumed.take(place)
        syndromes = frame_check.syndromes(self._blocks.data, candidates.starts, kinds)
        if self._expected is None:
            intact = np.zeros(len(kinds), dtype=bool)
        else:
            alone = self._expected.shape[1] == 1
            wanted = self._expected[:, 0].take(kinds) if alone else self._expected[kinds, owners]
            intact = (syndromes == wanted) & (kinds != HEADER_KIND) & (owners >= 0)
        (failed, headers), maybe = failures(intact, kinds, syndromes), NOTHING_LEFT
        loose = self._blocks.owner[first : first + len(presumed)].take(place) < 0
        if loose.any():
            failed &= ~loose
            left = np.flatnonzero(loose & ~intact)
            maybe = candidates.starts.take(left), kinds.take(left), syndromes.take(left)
        failed = candidates.starts.take(np.flatnonzero(failed))
        return candidates.only(np.flatnonzero(intact)), (failed,), candidates.only(headers), maybe

    def _found(self, chunk, attempt, is_frame, others, presumed):
        """The attempt's candidates that are frames, as a mask says, and others that are, as Found."""
        first = chunk * self._blocks.chunk
        mine = slice(first, first + len(attempt.good))
        if self._is_text[mine].any():
            is_frame[places_in(attempt.at, self._is_text[mine])] = False
        words, kinds = only((attempt.at, attempt.kinds), is_frame)
        keys = keys_of(presumed, words)
        words += first * SECTOR_WORDS
        found = self._slots.fill(chunk, (words, kinds, keys), self._blocks.data.view("<u2"))
        if len(others.starts) == 0:
            return found
        keys = presumed.take((others.starts >> SECTOR_SHIFT) - first)
        return Found(*in_place(found, stamped(self._blocks.data, others.starts, others.kinds, keys)))


def settle_across(blocks, parts):
    """What only all chunks together tell, given their Roughs in order.

    Whose the frames in loose blocks are: new headers in them add their pair to `blocks.keys`. And which frames lie in
    others.
    """
    if any(len(part.maybe.starts) for part in parts):
        match_loose(blocks, parts)
    _keep_outer_across(parts)


def _keep_outer_across(parts):
    """Leave out frames that lie wholly inside of another also where that one runs into the next chunk."""
    reached = 0
    for part in parts:
        if len(part.frames.starts):
            ends = part.frames.starts + KIND_SIZES.take(part.frames.kinds)
            if ends[0] <= reached:
                part.leave_out(ends <= reached)
            reached = max(reached, int(ends[-1]))

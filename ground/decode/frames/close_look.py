"""What a close look at blocks turns up, as columns: frames, failures, and what may still be frames."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ground.decode.frames.found import Batch, Found, batch_of
from ground.decode.frames.wire import HEADER_KIND, KIND_SIZES


class Frames(NamedTuple):
    """Where frames stand, rising."""

    starts: np.ndarray  # int64
    kinds: np.ndarray  # uint8
    places: np.ndarray  # int64: which candidate of the fast road each is, -1 for none of them

    def only(self, chosen):
        """Those of these numbers."""
        return Frames(*(column.take(chosen) for column in self))


class Maybe(NamedTuple):
    """Candidates in loose blocks that fit no presumed owner, rising; three arrays of one length."""

    starts: np.ndarray
    kinds: np.ndarray
    syndromes: np.ndarray  # uint32


@dataclass
class Rough:
    """What a close look at one chunk of blocks gave.

    Attributes
    ----------
    batch : found.Batch
        All intact data frames in them.
    frames : Frames
        Those in the blocks that the fast road had not settled.
    failed : numpy.ndarray of int64, shape (m,)
        Offsets that look like a frame (sync, legal type and length) and are none; rising.
    headers : Frames
        Intact headers that stand elsewhere than at the beginning of an owned block.
    maybe : Maybe
        What may be frames when all headers are known.
    """

    batch: Batch
    frames: Frames
    failed: np.ndarray
    headers: Frames
    maybe: Maybe

    def leave_out(self, inner):
        """Take the frames for which a mask is true for none."""
        found = self.batch.found
        outside = np.flatnonzero(~np.isin(found.starts, self.frames.starts[inner]))
        self.batch = batch_of(Found(*(column.take(outside) for column in found)))
        self.frames = self.frames.only(np.flatnonzero(~inner))


_NONE = np.empty(0, np.int64)
NO_FRAMES = Frames(_NONE, np.empty(0, np.uint8), _NONE)
NOTHING_LEFT = Maybe(_NONE, np.empty(0, np.uint8), np.empty(0, np.uint32))


def untouched(batch):
    """The Rough of blocks that need no close look."""
    return Rough(batch, NO_FRAMES, _NONE, NO_FRAMES, NOTHING_LEFT)


def failures(intact, kinds, syndromes):
    """Which candidates are neither an intact frame nor an intact header, a mask; and which are headers, numbers."""
    failed = ~intact
    places = np.flatnonzero(failed)
    headers = places[(kinds[places] == HEADER_KIND) & (syndromes[places] == 0)]
    failed[headers] = False
    return failed, headers


def outer(frames):
    """Frames that do not lie wholly inside of another (carried in its payload), as a mask; None if all of them.

    That is how a reader in order would take them. Frames that share a few bytes are both kept: where the last byte of
    one was lost, the next one's first may fit.
    """
    ends = frames.starts + KIND_SIZES.take(frames.kinds)
    if (ends[1:] > ends[:-1]).all():
        return None
    return ends > np.append(0, np.maximum.accumulate(ends)[:-1])

"""A log or capture that a terminal or a text mode changed on its way into a file, put back byte for byte.

Two changes are common and can be undone without loss: each line feed became carriage return and line feed (MicroPython
does so to whatever goes through print, and so do text modes), and bytes were taken for text and saved as UTF-8 or
UTF-16 (code_pages.py). The first may have begun or ended in the middle. What was thrown away on the way, bytes 11 and
13 or every eighth bit, is lost.
"""

from typing import NamedTuple

import numpy as np

from ground.decode.salvage.code_pages import bytes_of_text

_FEEDS_MIN = 50  # line feeds; in bytes by chance one of 256 has a carriage return before it
_STRAYS = 100  # one line feed of so many may be without one: what a terminal adds of its own
_AROUND = 20  # line feeds to each side of one that tell whether it was changed: half of them have to be
_SAVED_AS = {
    "utf-8": "each byte above 127 had become several (it was saved as UTF-8)",
    "utf-16-le": "each byte had become two (it was saved as UTF-16)",
    "utf-16-be": "each byte had become two (it was saved as UTF-16)",
}
_SAMPLES, _SAMPLE_SIZE, _SAMPLE_FEEDS = 32, 1 << 15, 16  # places that tell whether all bytes are worth a look


class PutBack(NamedTuple):
    """Bytes as they were; what had been done to them, in words; whether to all of them."""

    raw: bytes
    change: str
    everywhere: bool


def put_back(data):
    """The bytes as they were, as PutBack; None if nothing had been done to them.

    Parameters
    ----------
    data : numpy.ndarray of uint8
    """
    from_text = bytes_of_text(data)
    if from_text is None and not _may_have_pairs(data):
        return None
    done, everywhere = [], True
    if from_text:
        raw, encoding = from_text
        data = np.frombuffer(raw, dtype=np.uint8)
        done.append(_SAVED_AS[encoding])
    feeds, changed = _pairs(data)
    if len(changed) >= _FEEDS_MIN:
        everywhere = (len(feeds) - len(changed)) * _STRAYS <= len(feeds)
        where = "" if everywhere else "in a part of it "
        data = np.delete(data, changed - 1)
        done.append(f"{where}each line feed had become carriage return and line feed (text mode)")
    return PutBack(data.tobytes(), " and ".join(done), everywhere) if done else None


def _may_have_pairs(data):
    """Whether in some place most line feeds have a carriage return before them; small files are looked at whole."""
    step = max(len(data) // _SAMPLES, _SAMPLE_SIZE)
    for begin in range(0, len(data), step):
        sample = data[begin : begin + _SAMPLE_SIZE].tobytes()
        pairs = sample.count(b"\r\n")
        if pairs >= _SAMPLE_FEEDS and 2 * pairs >= sample.count(b"\n"):
            return True
    return False


def _pairs(data):
    """Offsets of all line feeds, and of the changed ones: a return before them, as before half of those around."""
    feeds = np.flatnonzero(data == 10)
    paired = (feeds > 0) & (data.take(feeds - 1, mode="wrap") == 13) if len(feeds) else np.empty(0, dtype=bool)
    sums = np.append(0, np.cumsum(paired))
    first = np.maximum(np.arange(len(feeds)) - _AROUND, 0)
    last = np.minimum(np.arange(len(feeds)) + _AROUND + 1, len(feeds))
    return feeds, feeds[paired & (2 * (sums[last] - sums[first]) >= last - first)]

"""A log whose bytes were all written in another way, in another order or as characters, made bytes again.

Looked for only where no record was found, and shown by the four bytes with which every sector begins. Some programs
swap the bytes of each word (a dump of words, `dd conv=swab`), mail programs write base64, dumps hexadecimal digits.
"""

import base64
import re
from typing import NamedTuple

import numpy as np

from shared_protocol.frame import sector_mark

_MARKS_MIN = 4
_BASE64 = re.compile(rb"(?:[A-Za-z0-9+/]{40,}\r?\n)*[A-Za-z0-9+/]{40,}={0,2}(?:\r?\n[A-Za-z0-9+/]{1,39}={0,2})?")
_DIGITS = frozenset(b"0123456789abcdefABCDEF \t\r\n:,;|")
_NO_DIGITS = bytes(sorted(_DIGITS - frozenset(b"0123456789abcdefABCDEF")))
_HEAD = 1 << 16  # bytes that tell whether it is text, behind whatever a mail begins with


class Written(NamedTuple):
    """Bytes as they were, and what had been done to them, in words."""

    raw: bytes
    change: str


def _groups(size):
    """What puts the bytes of each `size` in reverse order; a last group that is cut stays as it is."""

    def change(data):
        whole = len(data) // size * size
        return np.concatenate([data[:whole].reshape(-1, size)[:, ::-1].ravel(), data[whole:]])

    return change


_BITS_REVERSED = np.array([int(f"{byte:08b}"[::-1], 2) for byte in range(256)], dtype=np.uint8)
_CHANGES = {  # each undoes itself
    "the two bytes of each pair had changed places": _groups(2),
    "the bytes of each four stood in reverse order": _groups(4),
    "the two halves of each byte had changed places": lambda data: data << 4 | data >> 4,
    "the bits of each byte stood in reverse order": lambda data: _BITS_REVERSED[data],
    "every bit was turned over": lambda data: ~data,
}


def as_it_was(data):
    """The bytes as they were, as Written; None if nothing of the kind shows a log.

    Parameters
    ----------
    data : numpy.ndarray of uint8
    """
    raw, mark = data.tobytes(), np.frombuffer(sector_mark(), dtype=np.uint8)
    for what, change in _CHANGES.items():
        if raw.count(change(mark).tobytes()) >= _MARKS_MIN:
            return Written(change(data).tobytes(), what)
    if raw[:_HEAD] and not set(raw[:_HEAD]) - _DIGITS:
        digits = raw.translate(None, _NO_DIGITS)
        try:
            made = bytes.fromhex(digits[: len(digits) // 2 * 2].decode("ascii"))
        except ValueError:
            return None
        return _if_log(made, "each byte was written as two hexadecimal digits")
    if not _BASE64.search(raw[:_HEAD]):
        return None
    longest = max((match.group() for match in _BASE64.finditer(raw)), key=len, default=b"")
    characters = longest.translate(None, b"\r\n=")
    return _if_log(base64.b64decode(characters[: len(characters) // 4 * 4]), "the bytes were written as text (base64)")


def _if_log(raw, change):
    return Written(raw, change) if raw.count(sector_mark()) >= _MARKS_MIN else None

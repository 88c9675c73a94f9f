"""Bytes that were read as text and saved in UTF-8 or UTF-16, as consoles and editors do, made bytes again.

A code page gives each of the 256 bytes a character of its own, so nothing is lost. Which page it was shows by itself:
in thousands of bytes of a log each character occurs, and only one page has them all. Where a page has no character for
a byte, programs take the one with its number (common practice, no source).
"""

import codecs
from functools import lru_cache

import numpy as np

_PAGES = ("latin-1", "cp1252", "cp437", "cp850")
_GLANCE, _HEAD = 1 << 12, 1 << 20  # bytes that tell whether it may be text, and whether the rest is
_STRANGE = 1000  # one character of so many may be none of the page: a program's own
_MARKS = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be", codecs.BOM_UTF8: "utf-8"}


def bytes_of_text(data):
    """The bytes that a text was made of and the encoding that it was saved in; None if it is no such text.

    Parameters
    ----------
    data : numpy.ndarray of uint8
    """
    mark, encoding = next(((m, e) for m, e in _MARKS.items() if data[: len(m)].tobytes() == m), (b"", None))
    head = data[len(mark) : _HEAD]
    first = head[:_GLANCE]
    if not mark and _without_mark(first) == "utf-8" and _characters(first, "utf-8", "strict") is None:
        return None
    encoding = encoding or _without_mark(head)
    sample = encoding and _characters(head, encoding, "strict")
    if sample is None or len(sample) == 0:
        return None
    pages = [page for page in _PAGES if _byte_of()[page][sample].max() < 256]
    text = _characters(data[len(mark) :], encoding, "ignore") if pages else None
    for page in pages:
        raw = _byte_of()[page][text]
        known = raw < 256
        if (len(raw) - np.count_nonzero(known)) * _STRANGE <= len(raw):
            return raw[known].astype(np.uint8).tobytes(), encoding
    return None


def _without_mark(head):
    if len(head) >= 2 and not head[1::2].any() and head[::2].any():
        return "utf-16-le"
    if len(head) >= 2 and not head[::2].any() and head[1::2].any():
        return "utf-16-be"
    return "utf-8" if (head > 127).any() else None


def _characters(data, encoding, errors):
    """Numbers of the characters; None where it is no text. One at the end may be cut off."""
    try:
        text = codecs.getincrementaldecoder(encoding)(errors).decode(data.tobytes())
    except UnicodeDecodeError:
        return None
    return np.frombuffer(text.encode("utf-16-le", "surrogatepass"), dtype="<u2")


@lru_cache(maxsize=1)
def _byte_of():
    """By page: the byte of each character, 256 where it has none; uint16, shape (65536,)."""
    tables = {}
    for page in _PAGES:
        tables[page] = table = np.full(1 << 16, 256, dtype=np.uint16)
        for byte in range(256):
            table[ord(bytes([byte]).decode(page, "ignore") or chr(byte))] = byte
    return tables

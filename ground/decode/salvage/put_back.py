"""A log or capture that a terminal or a text mode changed on its way into a file, put back byte for byte.

Two changes are common and can be undone without loss: each line feed became carriage return and line feed (MicroPython
does so to whatever goes through print, and so do text modes), and each byte above 127 became two (saved as UTF-8).
What was thrown away on the way, bytes 11 and 13 or every eighth bit, is lost.
"""

_HEAD = 1 << 20  # bytes that tell whether the rest is worth a look
_FEEDS_MIN = 50  # line feeds; in bytes by chance one of 256 has a carriage return before it
_STRAYS = 100  # one line feed of so many may be without one: what a terminal adds of its own


def put_back(data):
    """The bytes as they were, and in words what had been done to them; None if nothing had.

    Parameters
    ----------
    data : numpy.ndarray of uint8
    """
    was_utf8 = _is_utf8(data[:_HEAD].tobytes())
    if not was_utf8 and not _has_pairs(data[:_HEAD].tobytes()):
        return None
    raw, done = data.tobytes(), []
    if was_utf8:
        raw = _from_utf8(raw)
        if raw is None:
            return None
        done.append("each byte above 127 had become two (it was saved as UTF-8)")
    if _has_pairs(raw):
        raw = raw.replace(b"\r\n", b"\n")
        done.append("each line feed had become carriage return and line feed (text mode)")
    return raw, " and ".join(done)


def _has_pairs(raw):
    feeds = raw.count(b"\n")
    return feeds >= _FEEDS_MIN and (feeds - raw.count(b"\r\n")) * _STRAYS <= feeds


def _is_utf8(head):
    """Whether it is UTF-8 of characters below 256, some of them above 127; its last character may be cut."""
    head = head[:-1] if head[-1:] >= b"\xc0" else head
    if head.isascii():
        return False
    try:
        return max(head.decode()) < "\u0100"
    except UnicodeDecodeError:
        return False


def _from_utf8(raw):
    try:
        return raw.decode(errors="ignore").encode("latin-1")
    except UnicodeEncodeError:
        return None

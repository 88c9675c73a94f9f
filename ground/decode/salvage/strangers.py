"""What a file without any record of ours looks like, and what to do with it: the words of a refusal.

Marks of other formats are those of their published specifications (from memory).
"""

import re
from typing import NamedTuple

from ground.decode.salvage.volume_size import claimed_size
from shared_protocol.frame import sector_mark

_AS_IT_IS = "; as it is there is "
_UNPACK = "unpack it and give what comes out"
_RAW = "have the program that made it write a plain (raw) image, or make one anew, and give that"
_WHOLE = "make the image again, of the whole card and not of a part of it"


class Stranger(NamedTuple):
    """What a file is, as the beginning of a sentence, and what to do next; empty where that is the usual."""

    what: str
    step: str = ""


_MARKS = (  # where it stands, the mark, what has it
    *(
        (0, mark, Stranger(f"this is a packed file ({name}){_AS_IT_IS}", _UNPACK))
        for mark, name in (
            (b"PK\x03\x04", "zip"), (b"\x1f\x8b", "gzip"), (b"BZh", "bzip2"), (b"\xfd7zXZ\0", "xz"),
            (b"7z\xbc\xaf\x27\x1c", "7z"), (b"\x28\xb5\x2f\xfd", "zstd"), (b"Rar!\x1a\x07", "rar"),
        )
    ),
    *(
        (0, mark, Stranger(f"this is an image in a format of its own ({name}){_AS_IT_IS}", _RAW))
        for mark, name in (
            (b"EVF\x09\x0d\x0a\xff\0", "E01"), (b"QFI\xfb", "qcow2"), (b"KDMV", "vmdk"), (b"vhdxfile", "vhdx"),
            (b"conectix", "vhd"),
        )
    ),
    (0, b"\xff\xd8\xff", Stranger("this is a JPEG picture, ")),
    (0, b"\x89PNG\r\n\x1a\n", Stranger("this is a PNG picture, ")),
    (4, b"ftyp", Stranger("this is a picture or film as phones make them, ")),
    (0, b"%PDF-", Stranger("this is a PDF document, ")),
    (0, b"PAR1", Stranger("this is a table (Parquet), as decoding makes them, ")),
)  # fmt: skip
_DIGITS_MIN = 64
_DUMP = re.compile(rb"\s*(0x)?[0-9a-fA-F]{4,}:?(\s+[0-9a-fA-F]{2,8}){4,}")  # an address and what stands there
_LINES = re.compile(rb"(:[0-9A-Fa-f]{10,}\r?\n)|(S[0-9][0-9A-Fa-f]{6,}\r?\n)")  # Intel HEX, S-records
_BASE64 = re.compile(rb"[A-Za-z0-9+/=\r\n]+")
_MARKS_MIN = 4
_STRIPPED = bytes(byte & 0x7F for byte in sector_mark())
_TABLE = re.compile(rb'"?boot"?,"?t_ms"?,|"?utc"?,')
_HEAD = 512
_TRAILER = 512  # bytes at the end of a file in which a disk image of macOS says what it is
_TEXT_CONTROLS = b"\t\n\r\x0c\x1b"


def looks_like(path, data, size):
    """What a file is, as Stranger.

    Parameters
    ----------
    path : Path
    data : numpy.ndarray of uint8
        Its beginning, up to a mebibyte or so.
    size : int
        Of the file.
    """
    head = bytes(data[:_HEAD])
    for at, mark, stranger in _MARKS:
        if head[at:].startswith(mark):
            return stranger
    if _ends_as_dmg(path, size):
        return Stranger(f"this is a disk image of macOS (dmg){_AS_IT_IS}", _RAW)
    if not data.any():
        return Stranger("it begins with nothing but zeros, ", _WHOLE)
    if (data == 0xFF).all():
        return Stranger("it begins with nothing but bytes FF, as an erased card or chip has them, ", _WHOLE)
    if _stripped(data):
        return Stranger(
            "this looks like a log of which every byte lost its highest bit on a line of seven bits, which cannot be "
            "undone, ",
            "capture it again with eight bits",
        )
    if not _is_text(head):
        if claimed_size(path):
            return Stranger("this is an image of a card, with a file system, ", "is it the right card?")
        return Stranger("")
    return _text(head)


def _is_text(head):
    controls = any(byte < 32 and byte not in _TEXT_CONTROLS for byte in head)
    return not controls and sum(byte > 127 for byte in head) * 3 <= len(head)


def _text(head):
    if len(head) > _DIGITS_MIN:
        if not set(head) - set(b"0123456789abcdefABCDEF \t\r\n:|") or _DUMP.match(head) or _LINES.match(head):
            what = f"this is text of hexadecimal digits{_AS_IT_IS}"
            return Stranger(what, "read the chip or card again, into a plain file")
        if _BASE64.fullmatch(head):
            return Stranger(f"this looks like base64 text{_AS_IT_IS}", "save the attachment that it was, and give that")
    if _TABLE.match(head):
        return Stranger("this is a table (CSV), as decoding makes them, ")
    return Stranger("this looks like text, ")


def _stripped(data):
    """Whether every byte lost its highest bit."""
    return data.tobytes().count(_STRIPPED) >= _MARKS_MIN and not (data & 0x80).any()


def _ends_as_dmg(path, size):
    try:
        with open(path, "rb") as handle:
            handle.seek(max(size - _TRAILER, 0))
            return handle.read(4) == b"koly"
    except OSError:
        return False

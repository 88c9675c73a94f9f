"""What a file without any record of ours looks like, in the first words of a refusal."""

import re

from shared_protocol.frame import sector_mark

_PACKED = {
    b"PK\x03\x04": "zip", b"\x1f\x8b": "gzip", b"BZh": "bzip2", b"\xfd7zXZ\0": "xz", b"7z\xbc\xaf\x27\x1c": "7z",
    b"\x28\xb5\x2f\xfd": "zstd", b"Rar!\x1a\x07": "rar",
}  # fmt: skip
_DIGITS_MIN = 64
_DUMP = re.compile(rb"\s*(0x)?[0-9a-fA-F]{4,}:?(\s+[0-9a-fA-F]{2,8}){4,}")  # an address and what stands there
_BASE64 = re.compile(rb"[A-Za-z0-9+/=\r\n]+")
_MARKS_MIN = 4
_STRIPPED = bytes(byte & 0x7F for byte in sector_mark())


def _stripped(data):
    """Whether every byte lost its highest bit."""
    return data.tobytes().count(_STRIPPED) >= _MARKS_MIN and not (data & 0x80).any()


def looks_like(data):
    """The beginning of a sentence that ends with "no log in it"; empty where nothing can be told."""
    head = bytes(data[:512])
    packed = next((name for mark, name in _PACKED.items() if head.startswith(mark)), None)
    if packed:
        return f"this is a packed file ({packed}), which has to be unpacked first; as it is there is "
    if head[:3] == b"\xff\xd8\xff":
        return "this is a JPEG picture, "
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return "this is a PNG picture, "
    if not any(head) and not data[: 1 << 20].any():
        return "it begins with nothing but zeros, "
    if _stripped(data):
        return (
            "this looks like a log of which every byte lost its highest bit on a line of seven bits, which cannot be "
            "undone; capture it again with eight: as it is there is "
        )
    if any(byte < 32 and byte not in b"\t\n\r\x0c\x1b" for byte in head):
        return ""
    if sum(byte > 127 for byte in head) * 3 > len(head):
        return ""
    if len(head) > _DIGITS_MIN and (not set(head) - set(b"0123456789abcdefABCDEF \t\r\n:|") or _DUMP.match(head)):
        return "this is text of hexadecimal digits, which has to be made bytes again first; as it is there is "
    if len(head) > _DIGITS_MIN and _BASE64.fullmatch(head):
        return "this looks like base64 text, which has to be made bytes again first; as it is there is "
    return "this looks like text, "

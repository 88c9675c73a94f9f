"""What a file without any record of ours looks like, in the first words of a refusal."""

_PACKED = {
    b"PK\x03\x04": "zip", b"\x1f\x8b": "gzip", b"BZh": "bzip2", b"\xfd7zXZ\0": "xz", b"7z\xbc\xaf\x27\x1c": "7z",
    b"\x28\xb5\x2f\xfd": "zstd", b"Rar!\x1a\x07": "rar",
}  # fmt: skip
_DIGITS_MIN = 64


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
    if any(byte < 32 and byte not in b"\t\n\r\x0c\x1b" for byte in head):
        return ""
    if sum(byte > 127 for byte in head) * 3 > len(head):
        return ""
    if len(head) > _DIGITS_MIN and not set(head) - set(b"0123456789abcdefABCDEF \t\r\n:|"):
        return "this is text of hexadecimal digits, which has to be made bytes again first; as it is there is "
    return "this looks like text, "

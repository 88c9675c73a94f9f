"""Dumps that say at which address each piece stood, made bytes again: UF2, Intel HEX, S-records, dumps as text.

Programs that read a board's flash write the first three, `xxd`, `hexdump` and `od` the last. Pieces are laid out by
their addresses, what lies between them is as erased flash is, and a line that its own checksum refuses is left out.
Sources: Microsoft, UF2 file format, "Overview"; Intel, Hexadecimal Object File Format Specification, revision A (1988);
Motorola, M68000 Family Programmer's Reference Manual, appendix C (all from memory; tests hold the second and third
against objcopy, the last against the programs themselves).
"""

import re
import struct
from itertools import pairwise
from typing import NamedTuple

_UF2_BEGIN, _UF2_END = b"UF2\n\x57\x51\x5d\x9e", b"\x30\x6f\xb1\x0a"
_UF2_SIZE, _UF2_DATA_AT, _UF2_DATA_MAX = 512, 32, 476
_HEAD = 1 << 10  # bytes that tell whether it is one
_HEX_LINE = re.compile(rb"^:([0-9A-Fa-f]{10,})[ \t]*\r?$", re.MULTILINE)
_S_LINE = re.compile(rb"^S([0-9])([0-9A-Fa-f]{6,})[ \t]*\r?$", re.MULTILINE)
_S_ADDRESS_SIZE = {b"1": 2, b"2": 3, b"3": 4}
_TEXT_LINE = re.compile(rb"^[ \t]*(?:0x)?([0-9A-Fa-f]{4,16})(:?)([ \t][^\r\n]*)?\r?$|^(\*)\r?$", re.MULTILINE)
_GROUP = re.compile(rb"(?:[0-9A-Fa-f]{2}){1,8}")
_ERASED = b"\xff"
_PAGE = 4096
_GAP_MAX = 8 << 20  # bytes; a larger one is another chip's place
_SIZE_MAX = 32 << 20  # bytes: as much as a file of 64 MiB can say in digits or in UF2
_LINES_TOLD = 1000  # that tell what addresses are counted in


class Addressed(NamedTuple):
    """Bytes as they stood, and how they had been written, in words."""

    raw: bytes
    change: str


def laid_out(data):
    """The bytes of a dump with addresses, as Addressed; None if it is none.

    Parameters
    ----------
    data : numpy.ndarray of uint8
    """
    head = data[:_HEAD].tobytes()
    for is_one, pieces, change in (
        (head.startswith(_UF2_BEGIN), _of_uf2, "the bytes lay in the blocks of a UF2 file"),
        (_HEX_LINE.match(head), _of_intel_hex, "the bytes were written as Intel HEX"),
        (_S_LINE.match(head), _of_s_records, "the bytes were written as S-records"),
        (_is_text(head), _of_text, "the bytes were written as lines of hexadecimal digits with addresses"),
    ):
        if is_one:
            raw = _in_place(pieces(data.tobytes()))
            return Addressed(raw, change) if raw else None
    return None


def _in_place(pieces):
    """Pieces (address, bytes) one behind the other as their addresses say."""
    out, end = bytearray(), None
    for address, piece in sorted(pieces, key=lambda one: one[0]):
        gap = address % _PAGE if end is None else address - end  # places in a page of flash stay what they were
        if gap < 0:
            if -gap >= len(piece):
                continue
            piece, gap = piece[-gap:], 0
            address = end
        elif end is not None and gap > _GAP_MAX:
            gap = (address - end) % _PAGE
        if len(out) + gap + len(piece) > _SIZE_MAX:
            break
        out += _ERASED * gap + piece
        end = address + len(piece)
    return bytes(out)


def _of_uf2(raw):
    pieces = []
    for at in range(0, len(raw) - _UF2_SIZE + 1, _UF2_SIZE):
        if raw[at : at + 8] == _UF2_BEGIN and raw[at + _UF2_SIZE - 4 : at + _UF2_SIZE] == _UF2_END:
            address, size = struct.unpack_from("<II", raw, at + 12)
            pieces.append((address, raw[at + _UF2_DATA_AT :][: min(size, _UF2_DATA_MAX)]))
    return pieces


def _of_intel_hex(raw):
    pieces, base = [], 0
    for match in _HEX_LINE.finditer(raw):
        line = _bytes(match[1])
        if not line or line[0] != len(line) - 5 or sum(line) & 0xFF:
            continue
        kind, content = line[3], line[4:-1]
        if kind == 0:
            pieces.append((base + int.from_bytes(line[1:3], "big"), content))
        elif kind in (2, 4):  # the upper part of addresses from here on
            base = int.from_bytes(content, "big") << (4 if kind == 2 else 16)
    return pieces


def _of_s_records(raw):
    pieces = []
    for match in _S_LINE.finditer(raw):
        line, size = _bytes(match[2]), _S_ADDRESS_SIZE.get(match[1])
        if size and line and line[0] == len(line) - 1 and sum(line) & 0xFF == 0xFF:
            pieces.append((int.from_bytes(line[1 : 1 + size], "big"), line[1 + size : -1]))
    return pieces


def _bytes(digits):
    return bytes.fromhex(digits.decode()) if len(digits) % 2 == 0 else b""


def _is_text(head):
    lines = list(_TEXT_LINE.finditer(head))
    return len(lines) >= 2 and lines[0].start() == 0 and all(_content(line) or line[4] for line in lines[:2])


def _content(line):
    """The bytes that a line shows; words without a colon before them are of a program that shows them swapped."""
    digits = line[3]
    if digits is None:
        return b""
    digits = digits.lstrip().split(b"|")[0]  # the same as characters stands behind it
    groups = (digits.split(b"  ")[0] if line[2] else digits).split()
    if not all(map(_GROUP.fullmatch, groups)):
        return b""
    swapped = not line[2]
    return b"".join(_bytes(group)[:: -1 if swapped else 1] for group in groups)


def _of_text(raw):
    lines = list(_TEXT_LINE.finditer(raw))
    base, pieces, is_repeated, total = _base(lines), [], False, 0
    for line in lines:
        if line[4]:
            is_repeated = True
            continue
        address, content = _address(line, base), _content(line)
        if address is None:
            continue
        if is_repeated and pieces:
            begin, before = pieces[-1]
            times = max(min(address - begin, _SIZE_MAX - total) // len(before), 1)
            pieces[-1] = (begin, before * times)
            total += len(before) * times
        is_repeated = False
        if content:
            pieces.append((address, content))
    return pieces


def _address(line, base):
    try:
        return int(line[1], base)
    except ValueError:
        return None


def _base(lines):
    """In what the addresses are counted: what makes a line end where the next one begins."""
    for line, following in pairwise(lines[:_LINES_TOLD]):
        size = len(_content(line))
        for base in (16, 8, 10) if size and following[1] else ():
            begin, end = _address(line, base), _address(following, base)
            if None not in (begin, end) and end - begin == size:
                return base
    return 16

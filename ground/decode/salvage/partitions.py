"""Partition tables: where in an image file systems may begin, and where the card must end.

Sources: UEFI Specification 2.10, 5.2.1 and 5.2.3 (the old table), 5.3.2 and 5.3.3 (the GUID table); logical partitions,
a chain of further tables, are common practice without a source. Offsets from memory, checked in tests against sfdisk.
"""

import struct
import zlib
from typing import NamedTuple

_SECTOR = 512
_SECTOR_SIZES = (512, 4096)  # in which a GUID table counts
_CHAINED = (0x05, 0x0F, 0x85)  # kinds of entries that lead to a further table
_PROTECTIVE = 0xEE  # the entry that stands for a GUID table
_TABLES_MAX = 64
_ENTRIES_MAX = 128
_GUID_HEADER_MIN = 92  # bytes


class _Entry(NamedTuple):
    """One of the four of an old table; places in sectors."""

    active: int
    kind: int
    first: int
    length: int


def beginnings(image):
    """Offsets in an open file, in the order of the tables, each once; the start of the file is always the first."""
    return list(dict.fromkeys([0, *_of_table(image, 0)]))


def _of_table(image, at):
    """Offsets that the old table at `at` leads to, its chain of logical partitions followed."""
    chain = None
    for entry in _used(image, at):
        if entry.kind == _PROTECTIVE:
            yield from _of_guid_table(image)
        elif entry.kind in _CHAINED:
            chain = entry.first if chain is None else chain
        else:
            yield entry.first * _SECTOR
    if chain is None:
        return
    here, seen = chain, set()
    while here is not None and here not in seen and len(seen) < _TABLES_MAX:
        seen.add(here)
        further = None
        for entry in _used(image, here * _SECTOR):
            if entry.kind in _CHAINED:
                further = chain + entry.first  # counted from the first table of the chain
            else:
                yield (here + entry.first) * _SECTOR  # counted from its own table
        here = further


def _used(image, at):
    return [entry for entry in _entries(image, at) if entry.kind and entry.first]


def _entries(image, at):
    """The four entries of the old table at `at`; none where the sector is not marked as one."""
    image.seek(at)
    table = image.read(_SECTOR)
    if table[510:512] != b"\x55\xaa":
        return []
    return [
        _Entry(table[place], table[place + 4], *struct.unpack_from("<II", table, place + 8))
        for place in range(446, 510, 16)
    ]


def _of_guid_table(image):
    for sector in _SECTOR_SIZES:
        header = _guid_header(image, sector)
        if header is None:
            continue
        table, count, size = struct.unpack_from("<QII", header, 72)
        if not 128 <= size <= 4096 or table * sector >= 1 << 62:
            continue
        for number in range(min(count, _ENTRIES_MAX)):
            image.seek(table * sector + number * size)
            entry = image.read(40)
            if len(entry) == 40 and any(entry[:16]):
                first = struct.unpack_from("<Q", entry, 32)[0]
                if first * sector < 1 << 62:
                    yield first * sector
        return


def _guid_header(image, sector):
    """The sector with the header of a GUID table; None if it is none."""
    image.seek(sector)
    header = image.read(sector)
    return header if len(header) >= _GUID_HEADER_MIN and header[:8] == b"EFI PART" else None


def end_of_card(image):
    """Bytes up to the end of the last partition, or of the card where a GUID table tells it; 0 if nothing sure does."""
    entries = _entries(image, 0)
    if any(entry.active not in (0, 0x80) or (entry.kind and not (entry.first and entry.length)) for entry in entries):
        return 0  # no partition table, but something that ends like one
    ends = [
        _end_by_guid_table(image) if entry.kind == _PROTECTIVE else (entry.first + entry.length) * _SECTOR
        for entry in entries
        if entry.kind
    ]
    return max(ends, default=0)


def _end_by_guid_table(image):
    """The card's size: the second header, whose place the first one tells, is in its last sector."""
    for sector in _SECTOR_SIZES:
        header = _guid_header(image, sector)
        if header is None:
            continue
        size, checksum = struct.unpack_from("<II", header, 12)
        if not _GUID_HEADER_MIN <= size <= len(header):
            continue
        if zlib.crc32(header[:16] + bytes(4) + header[20:size]) == checksum:
            return (max(struct.unpack_from("<QQ", header, 24)) + 1) * sector
    return 0

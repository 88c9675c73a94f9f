"""Where in an image file systems may begin: at its start, or where a partition table says so.

Sources: UEFI Specification 2.10, 5.2.1 (the old table), 5.3.2 and 5.3.3 (the GUID table); logical partitions, a chain
of further tables, are common practice without a source. Offsets from memory, checked in tests against sfdisk.
"""

import struct

_SECTOR = 512
_SECTOR_SIZES = (512, 4096)  # in which a GUID table counts
_CHAINED = (0x05, 0x0F, 0x85)  # kinds of entries that lead to a further table
_PROTECTIVE = 0xEE  # the entry that stands for a GUID table
_TABLES_MAX = 64
_ENTRIES_MAX = 128


def beginnings(image):
    """Offsets in an open file, in the order of the tables, each once; the start of the file is always the first."""
    return list(dict.fromkeys([0, *_of_table(image, 0)]))


def _of_table(image, at):
    """Offsets that the old table at `at` leads to, its chain of logical partitions followed."""
    chain = None
    for kind, first in _entries(image, at):
        if kind == _PROTECTIVE:
            yield from _of_guid_table(image)
        elif kind in _CHAINED:
            chain = first if chain is None else chain
        else:
            yield first * _SECTOR
    if chain is None:
        return
    here, seen = chain, set()
    while here is not None and here not in seen and len(seen) < _TABLES_MAX:
        seen.add(here)
        further = None
        for kind, first in _entries(image, here * _SECTOR):
            if kind in _CHAINED:
                further = chain + first  # counted from the first table of the chain
            else:
                yield (here + first) * _SECTOR  # counted from its own table
        here = further


def _entries(image, at):
    image.seek(at)
    table = image.read(_SECTOR)
    if table[510:512] != b"\x55\xaa":
        return
    for place in range(446, 510, 16):
        first = struct.unpack_from("<I", table, place + 8)[0]
        if table[place + 4] and first:
            yield table[place + 4], first


def _of_guid_table(image):
    for sector in _SECTOR_SIZES:
        image.seek(sector)
        header = image.read(92)
        if len(header) < 92 or header[:8] != b"EFI PART":
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

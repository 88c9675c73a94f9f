"""How long an image should be, by what is written on it: a copy that was cut at a sector's border looks whole.

Sources: Microsoft, FAT: General Overview of On-Disk Format 1.03 (2000), "Boot Sector and BPB Structure"; Microsoft,
exFAT file system specification, 3.1. Offsets from memory, checked in tests against images that mkfs.fat and mkfs.exfat
made.
"""

import struct

from ground.decode.salvage.partitions import end_of_card

_SECTOR = 512
_SECTOR_SIZES = (512, 1024, 2048, 4096)
_BACKUPS = (0, 6, 12)  # sectors with the boot sector: itself, FAT32's copy of it, exFAT's

PARTITION_TABLE, BOOT_SECTOR = "partition table", "boot sector"


def claimed_size(path):
    """`(bytes, PARTITION_TABLE or BOOT_SECTOR)` that an image says of its card; None where it says nothing sure.

    Of a partition table it is the end of the last partition: a card may go on behind it.
    """
    try:
        with open(path, "rb") as image:
            head = image.read(max(_BACKUPS) * _SECTOR + _SECTOR)
            by_table = end_of_card(image)
    except OSError:
        return None
    for sector in _BACKUPS:
        size = _volume_size(head[sector * _SECTOR : (sector + 1) * _SECTOR])
        if size:
            return size, BOOT_SECTOR
    return (by_table, PARTITION_TABLE) if by_table else None


def _volume_size(boot):
    """Size of the FAT or exFAT volume that begins with this sector; 0 if it is none."""
    if len(boot) < _SECTOR or boot[510:512] != b"\x55\xaa" or boot[0] not in (0xEB, 0xE9):
        return 0
    if boot[3:11] == b"EXFAT   ":
        return struct.unpack_from("<Q", boot, 72)[0] << boot[108] if 9 <= boot[108] <= 12 else 0
    sector, per_cluster, reserved, fats = struct.unpack_from("<HBHB", boot, 11)
    total, media, fat_sectors = struct.unpack_from("<HBH", boot, 19)
    total = total or struct.unpack_from("<I", boot, 32)[0]
    fat_sectors = fat_sectors or struct.unpack_from("<I", boot, 36)[0]
    holds = (
        sector in _SECTOR_SIZES
        and per_cluster.bit_count() == 1
        and fats in (1, 2)
        and reserved
        and media >= 0xF0
        and fat_sectors
        and total > reserved + fats * fat_sectors
    )
    return total * sector if holds else 0

"""Names of the logs on a card image, out of the root directory of its FAT or exFAT; only for the report.

Fields: Microsoft, FAT: General Overview of On-Disk Format 1.03 (2000), "Boot Sector and BPB Structure" and "FAT
Directory Structure"; Microsoft, exFAT file system specification, 3.1 and 7 (offsets from memory, checked in tests
against images made by mkfs.fat, mtools and mkfs.exfat).
"""

import struct

_ENTRY = 32
_ENTRIES_MAX = 4096
_SECTOR_SIZES = (512, 1024, 2048, 4096)


def log_files(path, pattern):
    """Files of the root directory whose name matches: dicts `{"name", "log_id"}`; empty without a readable FAT."""
    try:
        with open(path, "rb") as image:
            for volume in _volumes(image):
                found = _root_files(image, volume, pattern)
                if found:
                    return found
    except (OSError, struct.error, ValueError):
        pass
    return []


def _read(image, at, size):
    image.seek(at)
    return image.read(size)


def _volumes(image):
    """Offsets at which a FAT volume may begin: the image itself, then the four entries of a partition table."""
    yield 0
    first = _read(image, 0, 512)
    if first[510:512] == b"\x55\xaa":
        for entry in range(446, 510, 16):
            begin = struct.unpack_from("<I", first, entry + 8)[0]
            if begin:
                yield begin * 512


def _root_files(image, volume, pattern):
    boot = _read(image, volume, 512)
    if len(boot) < 512 or boot[510:512] != b"\x55\xaa":
        return []
    if boot[3:11] == b"EXFAT   ":
        return _exfat_files(image, volume, boot, pattern)
    sector, per_cluster, reserved, fats, root_entries = struct.unpack_from("<HBHBH", boot, 11)
    if sector not in _SECTOR_SIZES or per_cluster == 0 or fats not in (1, 2):
        return []
    fat_sectors = struct.unpack_from("<H", boot, 22)[0]
    is_fat32 = fat_sectors == 0
    if is_fat32:
        fat_sectors = struct.unpack_from("<I", boot, 36)[0]
    root = volume + (reserved + fats * fat_sectors) * sector
    data = root + -(-root_entries * _ENTRY // sector) * sector
    cluster_size = per_cluster * sector
    if is_fat32:
        root = data + (struct.unpack_from("<I", boot, 44)[0] - 2) * cluster_size
        root_size = cluster_size  # its first cluster: a card's root holds few files
    else:
        root_size = root_entries * _ENTRY
    files = []
    raw = _read(image, root, min(root_size, _ENTRIES_MAX * _ENTRY))
    for at in range(0, len(raw) - _ENTRY + 1, _ENTRY):
        entry = raw[at : at + _ENTRY]
        if entry[0] == 0:
            break
        if entry[0] == 0xE5 or entry[11] & 0x18:  # deleted; a folder, the volume's name or a piece of a long name
            continue
        name = entry[:8].decode("ascii", "replace").rstrip() + "." + entry[8:11].decode("ascii", "replace").rstrip()
        if not pattern.fullmatch(name):
            continue
        cluster = struct.unpack_from("<H", entry, 26)[0] | struct.unpack_from("<H", entry, 20)[0] << 16
        files.append(
            {"name": name.upper(), "log_id": _log_id(image, data + (cluster - 2) * cluster_size) if cluster else None}
        )
    return files


def _exfat_files(image, volume, boot, pattern):
    heap, _clusters, root = struct.unpack_from("<III", boot, 88)
    sector_shift, cluster_shift = boot[108], boot[109]
    if not 9 <= sector_shift <= 12 or sector_shift + cluster_shift > 25:
        return []
    begin = volume + (heap << sector_shift)
    shift = sector_shift + cluster_shift
    raw = _read(image, begin + (root - 2 << shift), min(1 << shift, _ENTRIES_MAX * _ENTRY))
    files, cluster, length, name = [], 0, 0, ""
    for at in range(0, len(raw) - _ENTRY + 1, _ENTRY):
        entry = raw[at : at + _ENTRY]
        if entry[0] == 0:
            break
        if entry[0] == 0xC0:  # where the file is; its name follows. Bit 7 is clear in entries of deleted files
            cluster, length, name = struct.unpack_from("<I", entry, 20)[0], entry[3], ""
        elif entry[0] == 0xC1:
            name += entry[2:].decode("utf-16-le", "replace")
            if pattern.fullmatch(name[:length]) and len(name) >= length:
                at_log = begin + (cluster - 2 << shift)
                files.append({"name": name[:length].upper(), "log_id": _log_id(image, at_log) if cluster else None})
    return files


def _log_id(image, at):
    from shared_protocol.frame import decode_header

    header = decode_header(_read(image, at, 512))
    return header[0] if header else None

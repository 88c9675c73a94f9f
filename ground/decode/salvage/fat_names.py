"""Names of the logs on a card image, out of the directories of its FAT or exFAT; only for the report.

Fields: Microsoft, FAT: General Overview of On-Disk Format 1.03 (2000), "Boot Sector and BPB Structure", "FAT Data
Structure" and "FAT Directory Structure"; Microsoft, exFAT file system specification, 3.1, 4.1 and 7 (offsets from
memory, checked in tests against images made by mkfs.fat, mtools and mkfs.exfat).
"""

import struct
from dataclasses import dataclass

import numpy as np

from ground.decode.salvage.log_head import HEAD, first_log_id
from ground.decode.salvage.partitions import beginnings

_ENTRY = 32
_DIRECTORY_MAX = 4096 * _ENTRY  # bytes of one that are read
_FOLDERS_MAX = 256
_FILES_MAX = 4096
_SECTOR_SIZES = (512, 1024, 2048, 4096)
_IS_FOLDER, _IS_LABEL = 0x10, 0x08  # attributes; a piece of a long name has the second


@dataclass
class _File:
    name: str
    cluster: int
    is_folder: bool
    size: int | None = None  # where its clusters lie together and nothing else names them


def log_files(path, pattern):
    """Files on all volumes whose name matches: dicts `{"name", "log_id"}`; empty without a readable file system."""
    found = []
    try:
        with open(path, "rb") as image:
            for begin in beginnings(image):
                try:
                    volume = _volume(image, begin)
                    found += _logs(image, volume, pattern) if volume else []
                except (OSError, OverflowError, struct.error, ValueError):
                    continue
    except OSError:
        pass
    return list({(file["name"], file["log_id"]): file for file in found[:_FILES_MAX]}.values())


def _logs(image, volume, pattern):
    files = []
    for file in _walk(volume):
        if not file.is_folder and pattern.fullmatch(file.name):
            log_id = _log_id(volume.content(file, HEAD)) if file.cluster >= 2 else None
            files.append({"name": file.name.upper(), "log_id": log_id})
            if len(files) == _FILES_MAX:
                break
    return files


def _walk(volume):
    """What the root has, then what its folders have, and so on; each folder once."""
    folders, met = [None], set()  # the first is the root; more come on the way
    for folder in folders:
        for file in volume.entries(volume.content(folder) if folder else volume.root()):
            if file.is_folder and file.cluster >= 2 and file.cluster not in met and len(folders) < _FOLDERS_MAX:
                met.add(file.cluster)
                folders.append(file)
            yield file


def _read(image, at, size):
    image.seek(at)
    return image.read(size)


def _log_id(raw):
    return first_log_id(np.frombuffer(raw, dtype=np.uint8))


def _volume(image, begin):
    boot = _read(image, begin, 512)
    if len(boot) < 512 or boot[510:512] != b"\x55\xaa":
        return None
    if boot[3:11] == b"EXFAT   ":
        return _Exfat(image, begin, boot) if 9 <= boot[108] <= 12 and boot[108] + boot[109] <= 25 else None
    sector, per_cluster, _reserved, fats = struct.unpack_from("<HBHB", boot, 11)
    return _Fat(image, begin, boot) if sector in _SECTOR_SIZES and per_cluster and fats in (1, 2) else None


class _Clusters:
    """A volume's clusters and the chains that its allocation table makes of them."""

    image = fat = data = cluster_size = bits = None

    def place(self, cluster):
        """Offset of a cluster in the image."""
        return self.data + (cluster - 2) * self.cluster_size

    def content(self, file, most=_DIRECTORY_MAX):
        """The first bytes of a file or directory, as much as is looked at."""
        if file.size is not None:
            return _read(self.image, self.place(file.cluster), min(file.size, most))
        raw, cluster, seen = b"", file.cluster, set()
        while cluster >= 2 and cluster not in seen and len(raw) < most:
            seen.add(cluster)
            raw += _read(self.image, self.place(cluster), min(self.cluster_size, most))
            cluster = self._next(cluster)
        return raw

    def _next(self, cluster):
        """The cluster behind one; 0 at the end of a chain."""
        raw = _read(self.image, self.fat + cluster * self.bits // 8, 4)
        word = int.from_bytes(raw, "little")
        if self.bits == 12:
            word = word >> 4 * (cluster & 1) & 0xFFF
        word &= {12: 0xFFF, 16: 0xFFFF, 32: 0xFFFFFFF}[self.bits]
        return word if word < {12: 0xFF7, 16: 0xFFF7, 32: 0xFFFFFF7}[self.bits] else 0


class _Fat(_Clusters):
    def __init__(self, image, begin, boot):
        sector, per_cluster, reserved, fats, self._root_entries = struct.unpack_from("<HBHBH", boot, 11)
        short_total, _media, fat_sectors = struct.unpack_from("<HBH", boot, 19)
        total = short_total or struct.unpack_from("<I", boot, 32)[0]
        fat_sectors = fat_sectors or struct.unpack_from("<I", boot, 36)[0]
        root_sectors = -(-self._root_entries * _ENTRY // sector)
        data_sector = reserved + fats * fat_sectors + root_sectors
        self.image, self.fat, self.data = image, begin + reserved * sector, begin + data_sector * sector
        self.cluster_size = per_cluster * sector
        count = (total - data_sector) // per_cluster
        self.bits = 32 if not self._root_entries else 16 if count >= 4085 else 12
        self._root_at = begin + (data_sector - root_sectors) * sector
        self._root_cluster = struct.unpack_from("<I", boot, 44)[0]

    def root(self):
        if self.bits == 32:
            return self.content(_File("", self._root_cluster, True))
        return _read(self.image, self._root_at, min(self._root_entries * _ENTRY, _DIRECTORY_MAX))

    @staticmethod
    def entries(raw):
        for at in range(0, len(raw) - _ENTRY + 1, _ENTRY):
            entry = raw[at : at + _ENTRY]
            if entry[0] == 0:
                break
            if entry[0] in (0xE5, 0x2E) or entry[11] & _IS_LABEL:  # deleted; the folder itself and the one above
                continue
            name, ending = (part.decode("ascii", "replace").rstrip() for part in (entry[:8], entry[8:11]))
            cluster = struct.unpack_from("<H", entry, 26)[0] | struct.unpack_from("<H", entry, 20)[0] << 16
            yield _File(f"{name}.{ending}", cluster & 0xFFFFFFF, bool(entry[11] & _IS_FOLDER))


class _Exfat(_Clusters):
    def __init__(self, image, begin, boot):
        fat, _length, heap, _clusters, self._root_cluster = struct.unpack_from("<IIIII", boot, 80)
        self.image, self.fat, self.data = image, begin + (fat << boot[108]), begin + (heap << boot[108])
        self.cluster_size, self.bits = 1 << boot[108] + boot[109], 32

    def root(self):
        return self.content(_File("", self._root_cluster, True))

    @staticmethod
    def entries(raw):
        is_folder, file, length = False, None, 0
        for at in range(0, len(raw) - _ENTRY + 1, _ENTRY):
            entry = raw[at : at + _ENTRY]
            if entry[0] == 0:
                break
            if entry[0] == 0x85:  # bit 7 is clear in entries of deleted files
                is_folder, file = bool(entry[4] & _IS_FOLDER), None
            elif entry[0] == 0xC0:  # where it is; its name follows
                cluster, size = struct.unpack_from("<IQ", entry, 20)
                file, length = _File("", cluster, is_folder, size if entry[1] & 2 else None), entry[3]
            elif entry[0] == 0xC1 and file:
                file.name += entry[2:].decode("utf-16-le", "replace")
                if len(file.name) >= length:
                    file.name = file.name[:length]
                    yield file
                    file = None

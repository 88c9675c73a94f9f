"""Cards and copies of cards in every state in which they come back, around the bytes of some logs.

Each kind is a function of a folder, a log and an older log (bytes of 512-byte sectors); it gives back the path to
decode. File systems are made by mkfs.fat, mkfs.exfat and mtools, flash by MicroPython's own littlefs: not by us.
"""

import shutil
import struct
import subprocess

import numpy as np

from tests.ground.hurt_captures import capture, capture_begun_again, sectors_of
from tests.ground.hurt_flash import (
    littlefs,
    littlefs_in_a_large_image,
    littlefs_second_copy,
    littlefs_without_its_beginning,
    raw_flash,
    raw_flash_as_text,
    raw_flash_as_uf2,
    two_littlefs,
)
from tests.interpreters import micropython_path

SEED = 20310527
MIB = 1 << 20
FILLER = 300 * MIB  # more than of which every byte is looked at
_SBIN = "/usr/sbin:/sbin:/usr/bin:/bin"


def tool(name):
    """Path of a system tool, also where it is not on a user's path."""
    return shutil.which(name) or shutil.which(name, path=_SBIN)


def _do(*command):
    subprocess.run([str(part) for part in command], check=True, capture_output=True)


def _sparse(path, size):
    with open(path, "wb") as handle:
        handle.truncate(size)
    return path


def _write(path, at, data):
    with open(path, "r+b") as handle:
        handle.seek(at)
        handle.write(data)
    return path


def fat(folder, log, old=None, kind=32, mib=40, at_sector=0):
    """A FAT file system of `kind` bits, `at_sector` sectors into the image; the older log is the first file."""
    image = _sparse(folder / "card.img", mib * MIB + at_sector * 512)
    _do(tool("mkfs.fat"), "-F", kind, "-s", 1 if kind == 32 else 8, "--offset", at_sector, image)
    for number, data in enumerate([part for part in (old, log) if part], 1):
        (folder / "part").write_bytes(data)
        _do(tool("mcopy"), "-o", "-i", f"{image}@@{at_sector * 512}", folder / "part", f"::TD{number:06d}.LOG")
    return image


def fat12(folder, log, old):
    return fat(folder, log, kind=12, mib=8)


def fat16(folder, log, old):
    return fat(folder, log, kind=16, mib=64)


def fat32(folder, log, old):
    return fat(folder, log)


def whole_disk(folder, log, old):
    """A partition table with one FAT32 partition at sector 2048."""
    image = fat(folder, log, at_sector=2048)
    _write(image, 446, struct.pack("<8BII", 0, 0, 0, 0, 12, 0, 0, 0, 2048, 40 * 2048))
    return _write(image, 510, b"\x55\xaa")


def guid_table(folder, log, old):
    """A GUID partition table with the FAT32 partition as its second one."""
    return _partitioned(folder, log, old, "label: gpt\nstart=2048,size=4096\nstart=8192,size=81920\n", 8192)


def logical_partition(folder, log, old):
    """An old partition table, the FAT32 partition the second logical one of its chain."""
    table = "start=2048,size=2048,type=83\nstart=8192,size=140000,type=f\n"
    table += "start=10240,size=2048,type=83\nstart=20480,size=81920,type=c\n"
    return _partitioned(folder, log, old, f"label: dos\n{table}", 20480)


def _partitioned(folder, log, old, table, at_sector):
    content = fat(folder, log, old).read_bytes()
    disk = _sparse(folder / "disk.img", 80 * MIB)
    subprocess.run([tool("sfdisk"), str(disk)], input=table.encode(), check=True, capture_output=True)
    return _write(disk, at_sector * 512, content)


def in_a_folder(folder, log, old):
    """A FAT32 card whose log lies in a folder behind one that needs more than a cluster."""
    image = _sparse(folder / "card.img", 40 * MIB)
    _do(tool("mkfs.fat"), "-F", 32, "-s", 1, image)
    for number in range(12):
        (folder / f"a picture with a rather long name {number}.jpg").write_bytes(b"picture")
    _do(tool("mcopy"), "-i", image, *folder.glob("*.jpg"), "::")
    _do(tool("mmd"), "-i", image, "::FLIGHTS")
    (folder / "part").write_bytes(log)
    _do(tool("mcopy"), "-i", image, folder / "part", "::FLIGHTS/TD000001.LOG")
    return image


def exfat(folder, log, old):
    """exFAT by mkfs.exfat; the file's entry and its clusters, which lie together, by hand (exFAT specification,
    7.4 to 7.7)."""
    image = _sparse(folder / "card.img", 40 * MIB)
    _do(tool("mkfs.exfat"), image)
    boot = image.read_bytes()[:512]
    heap, _clusters, root = struct.unpack_from("<III", boot, 88)
    cluster = 1 << boot[108] + boot[109]
    begin = heap << boot[108]
    first = root + 8
    name = "TD000001.LOG"
    file_entry = bytearray(struct.pack("<BBHH", 0x85, 2, 0, 0x20).ljust(32, b"\0"))
    stream = struct.pack("<BBBBHHQIIQ", 0xC0, 3, 0, len(name), 0, 0, len(log), 0, first, len(log))
    entries = file_entry + stream + b"\xc1\0" + name.encode("utf-16-le").ljust(30, b"\0")
    checksum = 0
    for n, byte in enumerate(entries):
        if n not in (2, 3):
            checksum = (((checksum & 1) << 15 | checksum >> 1) + byte) & 0xFFFF
    struct.pack_into("<H", entries, 2, checksum)
    at = begin + (root - 2) * cluster
    root_bytes = image.read_bytes()[at : at + cluster]
    free = next(n for n in range(0, cluster, 32) if root_bytes[n] == 0)
    _write(image, at + free, bytes(entries))
    return _write(image, begin + (first - 2) * cluster, log)


def wrecked_boot_sector(folder, log, old):
    return _write(fat(folder, log), 0, np.random.default_rng(SEED).bytes(512))


def wrecked_fat(folder, log, old):
    """Everything before the first cluster is random bytes, boot sector apart."""
    return _write(fat(folder, log), 512, np.random.default_rng(SEED).bytes(512 * 1024))


def wrecked_directory(folder, log, old):
    image = fat(folder, log)
    boot = image.read_bytes()[:512]
    reserved, fats = struct.unpack_from("<HB", boot, 14)
    return _write(image, (reserved + fats * struct.unpack_from("<I", boot, 36)[0]) * 512, bytes(512))


def deleted(folder, log, old):
    image = fat(folder, log)
    _do(tool("mdel"), "-i", image, "::TD000001.LOG")
    return image


def quick_formatted(folder, log, old):
    image = fat(folder, log)
    _do(tool("mkfs.fat"), "-F", 32, "-s", 1, image)
    return image


def reused(folder, log, old):
    """Quick-formatted after an older flight and armed for the new one, which covers the old log's beginning."""
    image = fat(folder, old)
    _do(tool("mkfs.fat"), "-F", 32, "-s", 1, image)
    (folder / "part").write_bytes(log)
    _do(tool("mcopy"), "-i", image, folder / "part", "::TD000001.LOG")
    return image


def two_logs(folder, log, old):
    return fat(folder, log, old)


def zero_filled_holes(folder, log, old):
    """A rescue copy whose unreadable places are zeros: eight pieces of 4 KiB in the log."""
    image = fat(folder, log)
    at = image.read_bytes().find(log[:512])
    for place in np.random.default_rng(SEED).integers(0, len(log) // 4096, 8).tolist():
        _write(image, at + place * 4096, bytes(4096))
    return image


def sparse_holes(folder, log, old):
    """The same, the unreadable places never written, behind each other in one sparse file of 32 GB."""
    image = _sparse(folder / "card.img", 32 << 30)
    at = 20 << 30
    lost = set(np.random.default_rng(SEED).integers(0, len(log) // 4096, 8).tolist())
    with open(image, "r+b") as handle:
        for place in range(-(-len(log) // 4096)):
            if place not in lost:
                handle.seek(at + place * 4096)
                handle.write(log[place * 4096 : place * 4096 + 4096])
    return image


def truncated(folder, log, old):
    """A copy that stopped in the middle of a sector, two thirds into the log."""
    image = fat(folder, log)
    at = image.read_bytes().find(log[:512])
    with open(image, "r+b") as handle:
        handle.truncate(at + len(log) // 1536 * 1024 + 200)
    return image


def swapped(folder, log, old):
    sectors = sectors_of(log)
    rng = np.random.default_rng(SEED)
    for a, b in rng.integers(0, len(sectors), (20, 2)).tolist():
        sectors[a], sectors[b] = sectors[b], sectors[a]
    (folder / "TD000001.LOG").write_bytes(b"".join(sectors))
    return folder / "TD000001.LOG"


def repeated(folder, log, old):
    sectors = sectors_of(log)
    for n in np.random.default_rng(SEED).integers(0, len(sectors) - 1, 20).tolist():
        sectors[n + 1 : n + 1] = [sectors[n]]
    (folder / "TD000001.LOG").write_bytes(b"".join(sectors))
    return folder / "TD000001.LOG"


def sectors_of_another_card(folder, log, old):
    sectors = sectors_of(log)
    for n in range(10, min(len(sectors), len(old) // 512) - 1, 7):
        sectors[n] = old[n * 512 : n * 512 + 512]
    (folder / "TD000001.LOG").write_bytes(b"".join(sectors))
    return folder / "TD000001.LOG"


def hurt_headers(folder, log, old):
    """Sixty sectors in a row and the last twenty with a bit turned over in their header."""
    image = fat(folder, log)
    at = image.read_bytes().find(log[:512])
    last = len(log) // 512
    for n in (*range(20, 80), *range(last - 20, last)):
        _write(image, at + n * 512 + 12, bytes([log[n * 512 + 12] ^ 4]))
    return image


def _torn(log):
    """The bytes of a log whose every sector lost its first ones; of some headers a part is left."""
    rng = np.random.default_rng(SEED)
    torn = bytearray(log)
    for at in range(0, len(torn), 512):
        if torn[at : at + 4] != bytes(4):
            cut = int(rng.integers(1, 5) if rng.random() < 0.1 else rng.integers(20, 60))
            torn[at : at + cut] = rng.bytes(cut)
    return bytes(torn)


def no_header_left(folder, log, old):
    """Every sector lost its header, those of an older log too."""
    (folder / "card.img").write_bytes(bytes(MIB) + _torn(log + bytes(MIB) + old))
    return folder / "card.img"


def no_header_left_beside_others(folder, log, old):
    """Every sector of the log lost its header, and those of an older log on the same card are whole."""
    return fat(folder, _torn(log), old)


def piece_far_away(folder, log, old):
    """A fragmented log in a large image, of which one piece, headers hurt, lies far from all others."""
    piece = bytearray(log[64 * 512 : 72 * 512])
    piece[12::512] = bytes(byte ^ 4 for byte in piece[12::512])
    image = _sparse(folder / "card.img", 4 << 30)
    _write(image, MIB, log[: 64 * 512] + log[72 * 512 :])
    _write(image, 2 << 30, old + np.random.default_rng(SEED).bytes(FILLER))
    return _write(image, (2 << 30) + FILLER, bytes(piece))


def no_header_left_in_a_large_image(folder, log, old):
    """A log that lost every header, in a large image with an older log far from it."""
    image = _sparse(folder / "card.img", 4 << 30)
    return _write(image, 2 << 30, old + np.random.default_rng(SEED).bytes(FILLER) + _torn(log) + bytes(MIB))


def odd_offset(folder, log, old):
    """An image whose log begins beside any block boundary: 333 bytes off."""
    image = _sparse(folder / "card.img", 8 * MIB)
    return _write(image, 3 * MIB + 333, log)


def odd_offset_in_a_large_file(folder, log, old):
    """The same in a sparse file of 8 GB that also holds a log in its place."""
    image = _sparse(folder / "card.img", 8 << 30)
    _write(image, (5 << 30) + 333, log)
    _write(image, 6 << 30, np.random.default_rng(SEED).bytes(FILLER))
    return _write(image, 2 << 30, old)


FAT_TOOLS = ("mkfs.fat", "mcopy", "mdel", "mmd")
KINDS = {  # what it is called: (how it is made, tools that takes)
    "partition, FAT12": (fat12, FAT_TOOLS),
    "partition, FAT16": (fat16, FAT_TOOLS),
    "partition, FAT32": (fat32, FAT_TOOLS),
    "partition, exFAT": (exfat, ("mkfs.exfat",)),
    "whole disk with a partition table": (whole_disk, FAT_TOOLS),
    "GUID partition table": (guid_table, (*FAT_TOOLS, "sfdisk")),
    "logical partition": (logical_partition, (*FAT_TOOLS, "sfdisk")),
    "log in a folder": (in_a_folder, FAT_TOOLS),
    "two logs on one card": (two_logs, FAT_TOOLS),
    "wrecked boot sector": (wrecked_boot_sector, FAT_TOOLS),
    "wrecked FAT": (wrecked_fat, FAT_TOOLS),
    "wrecked directory": (wrecked_directory, FAT_TOOLS),
    "deleted log": (deleted, FAT_TOOLS),
    "quick-formatted card": (quick_formatted, FAT_TOOLS),
    "card reused for another flight": (reused, FAT_TOOLS),
    "holes filled with zeros": (zero_filled_holes, FAT_TOOLS),
    "sparse holes in 32 GB": (sparse_holes, ()),
    "truncated copy": (truncated, FAT_TOOLS),
    "sectors swapped": (swapped, ()),
    "sectors repeated": (repeated, ()),
    "sectors of another card": (sectors_of_another_card, ()),
    "hurt sector headers": (hurt_headers, FAT_TOOLS),
    "no header left whole": (no_header_left, ()),
    "no header left, beside an older log": (no_header_left_beside_others, FAT_TOOLS),
    "no header left in a large image": (no_header_left_in_a_large_image, ()),
    "hurt piece far from all others": (piece_far_away, ()),
    "log at an odd offset": (odd_offset, ()),
    "log at an odd offset in 8 GB": (odd_offset_in_a_large_file, ()),
    "raw flash dump": (raw_flash, ()),
    "flash dump as UF2": (raw_flash_as_uf2, ()),
    "flash dump as text": (raw_flash_as_text, ()),
    "littlefs flash dump": (littlefs, ("micropython",)),
    "littlefs without its beginning": (littlefs_without_its_beginning, ("micropython",)),
    "littlefs, second superblock only": (littlefs_second_copy, ("micropython",)),
    "two littlefs in one dump": (two_littlefs, ("micropython",)),
    "littlefs in a large image": (littlefs_in_a_large_image, ("micropython",)),
    "serial capture": (capture, ()),
    "serial capture begun again": (capture_begun_again, ()),
}


def is_known_by_what_was_written(kind):
    """Whether frames do not lie in one piece in a file of this kind: a reader of its bytes cannot count them."""
    return "littlefs" in kind or kind in ("flash dump as UF2", "flash dump as text")


def missing_tools(names):
    """Those of the given tools that this computer lacks."""
    return [name for name in names if not (micropython_path() if name == "micropython" else tool(name))]


def frames_there(path, pairs):
    """Every frame in a file as {(log id, boot, seq, t_ms, type)}, by the plain byte-by-byte reader of shared_protocol.

    Holes of a sparse file are passed over. `pairs` are the (log id, boot) to look for.
    """
    from ground.decode.salvage.extents import data_extents
    from shared_protocol import scan
    from shared_protocol.crc import frame_salt

    found = set()
    stretches = []
    for first, last in data_extents(path, path.stat().st_size):
        if stretches and first == stretches[-1][1]:
            first = stretches.pop()[0]
        stretches.append((first, last))
    with open(path, "rb") as handle:
        for first, last in stretches:
            handle.seek(first)
            data = handle.read(last - first)
            if b"\xa5\x5a" not in data:
                continue
            for log_id, boot in pairs:
                for _at, record_type, seq, t_ms, _payload in scan.frames(data, frame_salt(log_id, boot)):
                    found.add((log_id, boot, seq, t_ms, record_type))
    return found


def frames_recovered(path):
    """Every frame that the decoder takes from a file, likewise."""
    from ground.decode.frames.records import read
    from ground.decode.frames.wire import KIND_TYPES
    from ground.decode.salvage.sources import open_source

    source = open_source(path)
    buffers = list(source.buffers)
    for gathered in source.by_log.values():
        buffers += gathered()
    records = read(buffers, source.pairs)
    found = set()
    for kind, rows in enumerate(records.rows):
        keys = [records.keys.pairs[key] for key in records.row_keys[kind].tolist()]
        for pair, seq, t_ms in zip(keys, rows["_seq"].tolist(), rows["_t_ms"].tolist(), strict=True):
            found.add((*pair, seq, t_ms, KIND_TYPES[kind]))
    return source.kind, found

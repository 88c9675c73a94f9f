"""Stands in for MicroPython's `vfs` under CPython, so that the same firmware runs there for quick tests.

Directory and FAT work is done by pyfatfs on top of the very block device the firmware hands over; file contents go
to the blocks of a file's cluster chain directly (cpython_card_file.py). Only sectors that change are written. Files
live in the root directory.

Not for MicroPython: this file imports CPython-only libraries, inside the functions that need them.
"""

import builtins
import errno
import io
import os
import sys
import types

from ground.simulator.board.cpython_card_file import CardFile, os_error

_BLOCK = 512
_DIRECTORY, _FILE = 0x4000, 0x8000
_DOS_EPOCH = (2013, 1, 1)  # MicroPython's own answer where it knows no date
_mounts: dict = {}  # mount point -> VfsFat


def install():
    """Put `vfs` into sys.modules, and lead open() and the calls of `os` to the card where a path says so."""
    module = types.ModuleType("vfs")
    module.VfsFat, module.mount, module.umount = VfsFat, mount, umount
    sys.modules["vfs"] = module
    _mounts.clear()
    real_open = builtins.open

    def open_anywhere(path, mode="r", *args, **kwargs):
        fs, name = _on_card(path)
        return fs.open(name, mode) if fs else real_open(path, mode, *args, **kwargs)

    builtins.open = open_anywhere
    for call in ("listdir", "stat", "statvfs", "remove", "unlink", "mkdir", "rename"):
        setattr(os, call, _led(call, getattr(os, call)))
    os.ilistdir = _led("ilistdir", _host_ilistdir)


def mount(fs, path, readonly=False):
    if path in _mounts:
        raise os_error(errno.EPERM)
    _mounts[path] = fs


def umount(path):
    if _mounts.pop(path, None) is None:
        raise os_error(errno.EINVAL)


def _on_card(path):
    if isinstance(path, str):
        for point, fs in _mounts.items():
            if path == point or path.startswith(point + "/"):
                return fs, path[len(point) + 1 :]
    return None, path


def _led(call, host):
    def led(path=".", *args):
        fs, name = _on_card(path)
        if fs is None:
            return host(path, *args)
        return getattr(fs, call)(name, *args)

    return led


def _host_ilistdir(path="."):
    for entry in os.scandir(path):
        yield entry.name, _DIRECTORY if entry.is_dir() else _FILE, 0, entry.stat().st_size


class _BlockFile(io.RawIOBase):
    """The block device as pyfatfs wants to see it: a seekable file. Unchanged sectors are not written again."""

    def __init__(self, device):
        self._device = device
        self._kept = {}  # blocks read or written so far: nobody but pyfatfs touches boot area, FAT and directory
        self._at = 0
        self._size = device.ioctl(4, 0) * _BLOCK

    def readable(self):
        return True

    writable = seekable = readable

    def seek(self, offset, whence=0):
        self._at = offset if whence == 0 else offset + (self._at if whence == 1 else self._size)
        return self._at

    def read(self, size=-1):
        first, last = self._at // _BLOCK, (self._at + size - 1) // _BLOCK
        data = b"".join(self._block(block) for block in range(first, last + 1))
        start = self._at - first * _BLOCK
        self._at += size
        return data[start : start + size]

    def write(self, data):
        data, done = bytes(data), 0
        while done < len(data):
            block, start = divmod(self._at + done, _BLOCK)
            part = data[done : done + _BLOCK - start]
            old = self._block(block)
            new = old[:start] + part + old[start + len(part) :]
            if new != old:
                self._device.writeblocks(block, new)
                self._kept[block] = new
            done += len(part)
        self._at += len(data)
        return len(data)

    def _block(self, block):
        if block not in self._kept:
            buf = bytearray(_BLOCK)
            self._device.readblocks(block, buf)
            self._kept[block] = bytes(buf)
        return self._kept[block]


def _volume(device, offset=0):
    """A pyfatfs volume that leaves the dirty flag alone, as MicroPython's driver does, and ignores the host's clock."""
    from pyfatfs import DosDateTime as dos
    from pyfatfs.PyFat import PyFat

    dos.DosDateTime.now = classmethod(lambda cls, tz=None: cls(*_DOS_EPOCH))

    class Volume(PyFat):
        def _is_dirty(self):
            return False

        def _mark_dirty(self):
            pass

        _mark_clean = _mark_dirty

        def __del__(self):
            pass

    volume = Volume(offset=offset)
    volume.set_fp(_BlockFile(device))
    return volume


class VfsFat:
    """The calls of MicroPython's vfs.VfsFat that the contract names."""

    def __init__(self, device):
        from ground.simulator.board.card_layout import CardLayout

        device.ioctl(1, 0)
        self.device = device
        start = CardLayout(self._read_block).start
        self.volume = _volume(device, start * _BLOCK)
        self._first_data_block = start + self.volume.first_data_sector
        self.cluster_blocks = self.volume.bytes_per_cluster // _BLOCK
        # A FAT has a few more entries than the volume has clusters, and pyfatfs would give them away too.
        self._clusters = (device.block_count - self._first_data_block) // self.cluster_blocks
        del self.volume.fat[self._clusters + 2 :]

    @staticmethod
    def mkfs(device):
        """Format a card under CPython; the choice of FAT type is pyfatfs's table."""
        from pyfatfs.PyFat import PyFat

        size = device.block_count * _BLOCK
        kind = PyFat.FAT_TYPE_FAT12 if size < 16 << 20 else PyFat.FAT_TYPE_FAT16
        if size > 2000 << 20:
            kind = PyFat.FAT_TYPE_FAT32
        volume = PyFat()
        volume.mkfs(device.path, kind, size=size, label="CARD", volume_id=0x54442031)
        volume.close()
        with open(device.path, "r+b") as file:  # pyfatfs leaves the disk geometry at zero, and some tools divide by it
            file.seek(24)
            file.write(bytes((63, 0, 255, 0)))

    def open(self, name, mode):
        raw = CardFile(self, name, mode.replace("t", "").replace("b", ""))
        return raw if "b" in mode else io.TextIOWrapper(raw)

    def ilistdir(self, name=""):
        for entry in self._entries():
            yield str(entry), _DIRECTORY if entry.is_directory() else _FILE, 0, entry.filesize

    def listdir(self, name=""):
        return [each[0] for each in self.ilistdir(name)]

    def stat(self, name):
        if not name:
            return (_DIRECTORY, 0, 0, 0, 0, 0, 0, 0, 0, 0)
        entry = self.find(name)
        return (_DIRECTORY if entry.is_directory() else _FILE, 0, 0, 0, 0, 0, entry.filesize, 0, 0, 0)

    def statvfs(self, name=""):
        size, free = self.volume.bytes_per_cluster, self.free_bytes() // self.volume.bytes_per_cluster
        return (size, size, self._clusters, free, free, 0, 0, 0, 0, 255)

    def remove(self, name):
        entry = self.find(name)
        self.volume.root_dir.remove_dir_entry(str(entry))
        self.volume.update_directory_entry(self.volume.root_dir)
        if entry.get_cluster():
            self.volume.free_cluster_chain(entry.get_cluster())
        self.volume.flush_fat()

    unlink = remove

    def mkdir(self, name):
        raise os_error(errno.EPERM)

    def rename(self, name, new_name):
        raise os_error(errno.EPERM)

    # --- for CardFile ----------------------------------------------------------------------------------------

    def find(self, name):
        for entry in self._entries():
            if str(entry).upper() == name.upper():
                return entry
        raise os_error(errno.ENOENT)

    def create(self, name):
        from datetime import timezone

        from pyfatfs.EightDotThree import EightDotThree
        from pyfatfs.FATDirectoryEntry import FATDirectoryEntry, make_lfn_entry

        short = EightDotThree(encoding=self.volume.encoding)
        short.set_str_name(short.make_8dot3_name(name, self.volume.root_dir))
        entry = FATDirectoryEntry.new(name=short, tz=timezone.utc, encoding=self.volume.encoding, attr=0x20)
        if short.get_unpadded_filename() != name:
            entry.set_lfn_entry(make_lfn_entry(name, short))
        self.volume.root_dir.add_subdirectory(entry)
        self.volume.update_directory_entry(self.volume.root_dir)
        return entry

    def blocks_of(self, cluster):
        """Block numbers of a chain, in order."""
        blocks = []
        for each in self.volume.get_cluster_chain(cluster) if cluster else ():
            blocks.extend(self.blocks_in(each))
        return blocks

    def blocks_in(self, cluster):
        first = self._first_data_block + (cluster - 2) * self.cluster_blocks
        return range(first, first + self.cluster_blocks)

    def cluster_of(self, block):
        return (block - self._first_data_block) // self.cluster_blocks + 2

    def free_bytes(self):
        return self.volume.fat[2:].count(0) * self.volume.bytes_per_cluster

    def allocate(self, size):
        """A chain of clusters for so many bytes; the caller has looked whether there are so many."""
        self.volume.first_free_cluster = 2
        self.volume.fat.append(1)  # pyfatfs wants one entry more than it takes, and calls the card full without it
        try:
            return self.volume.allocate_bytes(size)
        finally:
            self.volume.fat.pop()

    def _entries(self):
        directories, files, _ = self.volume.root_dir.get_entries()
        return directories + files

    def _read_block(self, block):
        buf = bytearray(_BLOCK)
        self.device.readblocks(block, buf)
        return bytes(buf)

"""An open file on the virtual card under CPython, reading and writing blocks as MicroPython's FAT driver does.

Whole aligned sectors go straight to the device, parts of a sector through one sector buffer that is written when
another one is needed, on flush and on close. A file grows by seeking past its end, as far as the card has room; FAT
and directory follow on flush.
"""

import errno
import io
import os

_BLOCK = 512


def os_error(number):
    """With two arguments, so that both `args[0]` (MicroPython's way) and `errno` are set."""
    return OSError(number, os.strerror(number))


class CardFile(io.RawIOBase):
    """An open file on the card."""

    def __init__(self, fs, name, mode):
        self._fs = fs
        self._may_write = mode != "r"
        self._buffer, self._buffered, self._changed = bytearray(_BLOCK), None, False
        self._entry_changed = False
        try:
            self._entry = fs.find(name)
            if mode == "x":
                raise os_error(errno.EEXIST)
        except OSError as error:
            if error.errno != errno.ENOENT or mode[0] == "r":
                raise
            self._entry = fs.create(name)
        self._size = self._entry.filesize
        self._blocks = fs.blocks_of(self._entry.get_cluster())
        self._at = self._size if mode[0] == "a" else 0
        if mode[0] == "w" and self._size:
            fs.volume.free_cluster_chain(self._entry.get_cluster())
            self._entry.set_cluster(0)
            self._blocks, self._size, self._entry_changed = [], 0, True

    def readable(self):
        return True

    def writable(self):
        return self._may_write

    def seekable(self):
        return True

    def tell(self):
        return self._at

    def seek(self, offset, whence=0):
        self._at = offset if whence == 0 else offset + (self._at if whence == 1 else self._size)
        if self._at > self._size:
            if self._may_write:
                self._grow(self._at)
            self._at = self._size  # a full card, or a file open for reading, ends the way there
        return self._at

    def readinto(self, buf):
        count = max(0, min(len(buf), self._size - self._at))
        done = 0
        while done < count:
            index, start = divmod(self._at + done, _BLOCK)
            if start == 0 and count - done >= _BLOCK and self._buffered != index:
                sector = bytearray(_BLOCK)
                self._fs.device.readblocks(self._blocks[index], sector)
            else:
                sector = self._load(index)
            part = sector[start : start + count - done]
            buf[done : done + len(part)] = part
            done += len(part)
        self._at += count
        return count

    def write(self, data):
        if not self._may_write:
            raise os_error(errno.EACCES)
        data = bytes(data)
        if self._at + len(data) > self._size:
            self._grow(self._at + len(data))
            if self._at + len(data) > self._size:
                raise os_error(errno.ENOSPC)
        done = 0
        while done < len(data):
            index, start = divmod(self._at + done, _BLOCK)
            part = data[done : done + _BLOCK - start]
            if len(part) == _BLOCK:
                if self._buffered == index:
                    self._buffered, self._changed = None, False
                self._fs.device.writeblocks(self._blocks[index], part)
            else:
                self._load(index)[start : start + len(part)] = part
                self._changed = True
            done += len(part)
        self._at += len(data)
        self._entry_changed = True
        return len(data)

    def flush(self):
        if self.closed or not self._may_write:
            return
        self._store()
        if self._entry_changed:
            self._entry.filesize = self._size
            self._fs.volume.flush_fat()
            self._fs.volume.update_directory_entry(self._fs.volume.root_dir)
            self._entry_changed = False

    def close(self):
        if not self.closed:
            try:
                self.flush()
            finally:
                super().close()

    def _grow(self, size):
        missing = min(size - len(self._blocks) * _BLOCK, self._fs.free_bytes())
        if missing > 0:
            chain = self._fs.allocate(missing)
            if self._blocks:
                self._fs.volume.fat[self._fs.cluster_of(self._blocks[-1])] = chain[0]
            else:
                self._entry.set_cluster(chain[0])
            for cluster in chain:
                self._blocks.extend(self._fs.blocks_in(cluster))
        self._size = min(size, len(self._blocks) * _BLOCK)
        self._entry_changed = True

    def _load(self, index):
        if self._buffered != index:
            self._store()
            self._fs.device.readblocks(self._blocks[index], self._buffer)
            self._buffered = index
        return self._buffer

    def _store(self):
        if self._changed:
            self._fs.device.writeblocks(self._blocks[self._buffered], self._buffer)
            self._changed = False

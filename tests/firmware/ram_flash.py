"""A flash chip in memory with littlefs, for tests on real MicroPython: what firmware/flash_storage.py is on a board.

Blocks and program size are those of MicroPython's port for boards of the RP2040 class.
"""

import struct

import vfs

FOLDER = "copy"  # not imported: the firmware's own copy of that module may be a compiled one with short names
BLOCK = 4096
_PAGE = 256


class RamFlashChip:
    """A block device with erase blocks; counts erases. `fail` refuses so many writes, `cut_after` raises at one."""

    def __init__(self, blocks=352):
        self.count = blocks
        self.data = [bytearray(b"\xff" * BLOCK) for _ in range(blocks)]
        self.erases = [0] * blocks
        self.programs = 0
        self.fail = 0
        self._blank = bytes(b"\xff" * BLOCK)
        self._views = [memoryview(block) for block in self.data]
        self._error = OSError(5)

    def readblocks(self, block, buf, offset=0):
        source = self.data[block]
        for at in range(len(buf)):
            buf[at] = source[offset + at]

    def writeblocks(self, block, buf, offset=0):
        if self.fail:
            self.fail -= 1
            raise self._error
        self.programs += 1
        target = self.data[block]
        for at in range(len(buf)):
            target[offset + at] &= buf[at]  # programming clears bits, nothing else

    def ioctl(self, op, arg):
        if op == 4:
            return self.count
        if op == 5:
            return BLOCK
        if op == 6:
            self.erases[arg] += 1
            struct.pack_into("<4096s", self.data[arg], 0, self._blank)
        return 0


class RamFlash:
    """The folder of the second copy on such a chip."""

    def __init__(self, chip):
        self.chip = chip
        if not sum(chip.erases):
            vfs.VfsLfs2.mkfs(chip, progsize=_PAGE)
        self.fs = vfs.VfsLfs2(self.chip, progsize=_PAGE, mtime=False)

    def names(self):
        if FOLDER not in [entry[0] for entry in self.fs.ilistdir("")]:
            self.fs.mkdir(FOLDER)
        return [entry[0] for entry in self.fs.ilistdir(FOLDER)]

    def open(self, path, mode):
        return self.fs.open(path, mode)

    def size(self, path):
        return self.fs.stat(path)[6]

    def remove(self, path):
        self.fs.remove(path)

    def free_kib(self):
        found = self.fs.statvfs("")
        return found[0] * found[3] // 1024

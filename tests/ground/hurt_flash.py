"""Dumps of a board's flash in every state, around the bytes of a log; see hurt_cards.py, which lists them.

Each kind is a function of a folder, a log and an older log; the file system is MicroPython's own littlefs.
"""

import struct

import numpy as np

from tests.interpreters import run

SEED = 20310527
MIB = 1 << 20
FIRMWARE = 3 * 4096  # bytes before the file system
FLASH_AT = 0x10100000  # where a board sees its flash


def raw_flash(folder, log, old):
    """A dump of 4 MiB: firmware, then a ring of sectors whose oldest part was overwritten, then erased flash."""
    data = bytearray(b"\xff" * (4 * MIB))
    data[: 700 * 1024] = np.random.default_rng(SEED).bytes(700 * 1024)
    ring = log[len(log) // 1024 * 512 :] + log[: len(log) // 1024 * 512]
    data[MIB : MIB + len(ring)] = ring[: 3 * MIB]
    (folder / "flash.bin").write_bytes(data)
    return folder / "flash.bin"


_LITTLEFS = """
import os
class Flash:
    def __init__(self, count):
        self.data, self.count = bytearray(b"\\xff" * 4096 * count), count
    def readblocks(self, block, buf, offset=0):
        at = block * 4096 + offset
        buf[:] = self.data[at : at + len(buf)]
    def writeblocks(self, block, buf, offset=0):
        at = block * 4096 + offset
        self.data[at : at + len(buf)] = buf
    def ioctl(self, op, arg):
        if op == 6:
            self.data[arg * 4096 : arg * 4096 + 4096] = b"\\xff" * 4096
        return {4: self.count, 5: 4096}.get(op, 0)
log = open(LOG, "rb").read()
flash = Flash(len(log) // 4096 * 3 + 32)
os.VfsLfs2.mkfs(flash)
os.mount(os.VfsLfs2(flash), "/flash")
mine, other = open("/flash/TD000001.LOG", "wb"), open("/flash/other.txt", "wb")
for at in range(0, len(log), 512):
    mine.write(log[at : at + 512])
    other.write(b"something else in between\\n" * 10)
    if at % (len(log) // 8 // 512 * 512) == 0:
        mine.flush()
mine.close()
other.close()
os.umount("/flash")
with open(GOAL, "wb") as goal:
    goal.write(b"\\x5a" * 4096 * 3)
    goal.write(flash.data)
"""


def littlefs(folder, log, old):
    """Firmware, then a littlefs whose blocks hold the log and another file, written turn by turn."""
    (folder / "log").write_bytes(log)
    code = f"LOG = {str(folder / 'log')!r}\nGOAL = {str(folder / 'flash.bin')!r}\n"
    code += f"FIRMWARE = {FIRMWARE}\n{_LITTLEFS}"
    run(code, "micropython", heap="256m")
    return folder / "flash.bin"


def littlefs_without_its_beginning(folder, log, old):
    """The same, both copies of the superblock erased."""
    return _overwritten(littlefs(folder, log, old), b"\xff" * 2 * 4096)


def littlefs_second_copy(folder, log, old):
    """The first copy of the superblock is zeros, the second one is left."""
    return _overwritten(littlefs(folder, log, old), bytes(4096))


def _overwritten(dump, data):
    with open(dump, "r+b") as handle:
        handle.seek(FIRMWARE)
        handle.write(data)
    return dump


def two_littlefs(folder, log, old):
    """Two dumps in one file, one behind the other: an older state, which holds half the log, and the newer one."""
    (folder / "half").mkdir()
    half = littlefs(folder / "half", log[: len(log) // 1024 * 512], old).read_bytes()
    path = littlefs(folder, log, old)
    path.write_bytes(half + path.read_bytes())
    return path


def littlefs_in_a_large_image(folder, log, old):
    """A dump 70 MiB into an image of 4 GiB that holds something else as well."""
    dump = littlefs(folder, log, old).read_bytes()
    with open(folder / "disk.img", "wb") as image:
        image.truncate(4 << 30)
        for at, data in ((1 << 20, np.random.default_rng(SEED).bytes(4 << 20)), (70 << 20, dump)):
            image.seek(at)
            image.write(data)
    return folder / "disk.img"


def uf2(data, address=FLASH_AT, order=1):
    """Blocks of 256 bytes, by the layout of the UF2 specification."""
    blocks = [
        b"UF2\n" + struct.pack("<7I", 0x9E5D5157, 0x2000, address + at, 256, at // 256, len(data) // 256, 0xE48BFF56)
        + data[at : at + 256].ljust(476, b"\0") + struct.pack("<I", 0x0AB16F30)
        for at in range(0, len(data), 256)
    ]  # fmt: skip
    return b"".join(blocks[::order])


def raw_flash_as_uf2(folder, log, old):
    """A dump as programs for these boards write it."""
    (folder / "flash.uf2").write_bytes(uf2(raw_flash(folder, log, old).read_bytes()))
    return folder / "flash.uf2"


def raw_flash_as_text(folder, log, old):
    """A dump as lines of digits, what is erased left out as `hexdump` does."""
    data, lines, before, skips = raw_flash(folder, log, old).read_bytes(), [], None, False
    for at in range(0, len(data), 16):
        piece = data[at : at + 16]
        if piece != before:
            lines.append(f"{at:08x}  {piece.hex(' ')}")
        elif not skips:
            lines.append("*")
        before, skips = piece, piece == before
    (folder / "flash.txt").write_text("\n".join([*lines, f"{len(data):08x}"]) + "\n")
    return folder / "flash.txt"

"""A card in memory for tests on real MicroPython, and the storage that firmware/card_storage.py would make of it."""

import struct


class PowerCut(BaseException):
    """The power went in the middle of a write."""


class RamCard:
    """A block device. `writes` can be a list that takes the numbers of written blocks; `fail` refuses so many writes.

    With `cut_after` = n the n-th write from now on is torn in the middle, none before it, and PowerCut is raised.
    """

    def __init__(self, blocks):
        self.count = blocks
        self.blocks = [None] * blocks
        self._zero = bytes(512)
        self.reads = 0
        self.write_count = 0
        self.writes = None  # a list to keep their numbers
        self.fail = 0
        self.present = True
        self.cut_after = -1
        self.dead = ()  # blocks that never take a write
        self.forgets = False  # takes writes and keeps nothing
        self.last_block = 0  # written last

    def after_cut(self):
        """The same card after the power came back. What the old power-up left in memory can't reach it any more."""
        card = RamCard(self.count)
        card.blocks = self.blocks
        self.blocks = []
        self.present = False
        return card

    def readblocks(self, block, buf, offset=0):
        if not self.present:
            raise OSError(5)
        self.reads += 1
        for number in range(len(buf) // 512):
            struct.pack_into("<512s", buf, number * 512, self.blocks[block + number] or self._zero)

    def writeblocks(self, block, buf, offset=0):
        if not self.present:
            raise OSError(5)
        if self.fail:
            self.fail -= 1
            raise OSError(5)
        if block in self.dead:
            raise OSError(5)
        self.last_block = block
        if self.forgets:
            return
        for number in range(len(buf) // 512):
            self._write(block + number, buf, number * 512)

    def _write(self, block, buf, at):
        if self.writes is not None:
            self.writes.append(block)
        self.write_count += 1
        if self.blocks[block] is None:
            self.blocks[block] = bytearray(512)
        if self.cut_after == 1:
            self.blocks[block][:200] = bytes(buf[at : at + 200])
            raise PowerCut
        if self.cut_after > 0:
            self.cut_after -= 1
        if at == 0 and len(buf) == 512:
            struct.pack_into("<512s", self.blocks[block], 0, buf)
        else:
            self.blocks[block][:] = buf[at : at + 512]

    def ioctl(self, op, arg):
        if op == 4:
            return self.count
        if op == 5:
            return 512
        return 0


class FatStorage:
    """The storage that firmware/board.py makes, on a RamCard (MicroPython only)."""

    def __init__(self, card):
        self.card = card
        self._fs = None

    def mount(self):
        import vfs

        self._fs = vfs.VfsFat(self.card)

    def names(self):
        return [entry[0] for entry in self._fs.ilistdir("")]

    def open(self, name, mode):
        return self._fs.open(name, mode)

    def size(self, name):
        return self._fs.stat(name)[6]

    def write(self, file, sector):
        return file.write(sector) == 512

    def settle(self):
        return self.card.settle() if hasattr(self.card, "settle") else 0

    def remove(self, name):
        self._fs.remove(name)


def formatted_card(blocks=12288):
    import vfs

    card = RamCard(blocks)
    vfs.VfsFat.mkfs(card)
    return card

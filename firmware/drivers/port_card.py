"""A port's own card driver (machine.SDCard), with the watchdog fed before each block.

Such a driver waits for a busy card itself, and one call to the FAT driver writes up to five blocks: a card that takes
two seconds for each (cold ones do; common practice, no source) would otherwise cost a reset in the middle of arming a
log. A single block for which it waits longer than the watchdog still does. The module is imported once such a driver
has been made, so that the class has its constructor then (core/spare.py).

Ports say in three ways that a block failed: by an exception, by False (esp32) or by a negative number (mimxrt); without
a fault they give None, True or 0 (MicroPython 1.25, ports/*/machine_sdcard.c). Here each failure is an OSError.
"""

from shared_protocol.compat import const

_EIO = const(5)


class PortCard:
    """`card` as a block device for vfs.VfsFat; `feed()` feeds the watchdog. Raises what the card raises."""

    def __init__(self, card, feed):
        self._card = card
        self._feed = feed

    def readblocks(self, block: int, buf) -> None:
        """Fill `buf`, whole blocks."""
        self._feed()
        _check(self._card.readblocks(block, buf))

    def writeblocks(self, block: int, buf) -> None:
        """Write `buf`, whole blocks."""
        self._feed()
        _check(self._card.writeblocks(block, buf))

    def ioctl(self, op: int, arg: int):
        """Whatever the port's driver says."""
        return self._card.ioctl(op, arg)


def _check(result):
    if result is not None and result is not True and (result is False or result != 0):
        raise OSError(_EIO)

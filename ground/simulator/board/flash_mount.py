"""MicroPython's littlefs on the virtual flash, mounted beside the laptop's files; relative paths then mean the flash.

Options are those of MicroPython's port for boards of the RP2040 class (program size 256, littlefs 2), but for the
dates of files: those would come from the laptop's clock, and two runs of one flight would differ.
"""

import vfs

from ground.simulator.board.flash_chip import PAGE, READ_SIZE

FOLDER = "/flash"


def make(chip):
    """An empty file system on the chip."""
    vfs.VfsLfs2.mkfs(chip, readsize=READ_SIZE, progsize=PAGE)


def mount(chip):
    """Mount the chip's file system on FOLDER. OSError if there is none."""
    vfs.mount(vfs.VfsLfs2(chip, readsize=READ_SIZE, progsize=PAGE, mtime=False), FOLDER)

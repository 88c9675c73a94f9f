"""How a board comes to run one of two installed firmwares: the two small programs in its root folder.

Firmware lies in the folders `a` and `b`; the one-letter file `slot.txt` says which of them runs. An installation
writes the folder that does not run, checks every file there, and last of all puts another `slot.txt` in place of the
old one by renaming, which littlefs does whole or not at all. So an interruption anywhere leaves the old firmware or
the new one. Settings that come with a new firmware lie in its folder until it is chosen; then they are moved to their
place, which may be interrupted and repeated as well.
"""

SLOTS = ("a", "b")
SLOT_FILE = "slot.txt"
LIST_FILE = "files.txt"  # in each slot: hash, size and path of every file
SETTINGS_FILE = "settings.json"

CHOOSE = '''\
"""Puts the firmware that slot.txt names on the path. Written by thistledown install."""

import os
import sys


def use():
    try:
        with open("slot.txt") as file:
            slot = file.read(1)
    except OSError:
        slot = "a"
    try:
        os.rename(slot + "/settings.json", "settings.json")
    except OSError:
        pass
    sys.path.insert(0, slot)
'''

MAIN = """\
# Starts the firmware that choose.py finds. Written by thistledown install.
import choose

choose.use()
del __import__("sys").modules["choose"], choose
from firmware.main import main

main()
"""

ROOT_FILES = {"choose.py": CHOOSE.encode(), "main.py": MAIN.encode()}  # written in this order, main.py last of all


def other_slot(slot):
    """The folder that does not run; the first one on a board without any."""
    return SLOTS[1] if slot == SLOTS[0] else SLOTS[0]

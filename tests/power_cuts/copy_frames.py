"""The second copy in the flash of a recorded flight: which of its frames are safe after which write.

The firmware does one thing after the other: a sector of the copy is handed to littlefs and flushed before anything else
is written. So it is committed with the last operation of the flash before the next write to the card.
"""

import subprocess

from ground.simulator.board.write_journal import CARD_WRITE, FLASH_PROGRAM
from ground.simulator.board_description import REPOSITORY
from shared_protocol.second_copy import FOLDER
from tests.power_cuts import by_hand

_READ = """
import sys, os
sys.path.insert(0, {root!r})
from ground.simulator.board.flash_chip import FlashChip
from ground.simulator.board.flash_mount import mount
mount(FlashChip(None, None, {image!r}))
os.chdir("/flash")
try:
    names = sorted(os.listdir({folder!r}))
except OSError:
    names = []
for name in names:
    with open({folder!r} + "/" + name, "rb") as file, open({goal!r} + "/" + name, "wb") as copy:
        copy.write(file.read())
"""


def files_of(interpreter, image, goal):
    """Contents of the copy's files, as MicroPython's own littlefs reads them from an image of the flash."""
    goal.mkdir(parents=True, exist_ok=True)
    for old in goal.iterdir():
        old.unlink()
    code = _READ.format(root=str(REPOSITORY), image=str(image), folder=FOLDER, goal=str(goal))
    subprocess.run([*interpreter.command, "-c", code], check=True, capture_output=True, text=True)
    return [path.read_bytes() for path in sorted(goal.iterdir())]


def sectors_of(files):
    """(log id, boot) and frames of each sector of the copy's files."""
    found = []
    for data in files:
        for at in range(0, len(data), by_hand.SECTOR):
            key, frames = by_hand.owned_frames(data[at : at + by_hand.SECTOR])
            if key and frames:
                found.append((key, frames))
    return found


def committed_after(writes, sectors):
    """For each sector of sectors_of(), the number of the write after which it is safe."""
    groups, open_group = [], None
    for number, write in enumerate(writes, 1):
        if write.what == CARD_WRITE:
            open_group = None
            continue
        if open_group is None:
            open_group = [number, bytearray()]
            groups.append(open_group)
        open_group[0] = number
        if write.what == FLASH_PROGRAM:
            open_group[1] += write.data
    safe = []
    for _, frames in sectors:
        safe.append(next(number for number, data in groups if any(frame in data for frame in frames)))
    return safe


def intact_frames(flash, keys):
    """(log id, boot) -> every intact frame that stands anywhere in a flash's bytes, whatever the file system says."""
    found = {key: set() for key in keys}
    at = flash.find(b"\xa5\x5a")
    while at >= 0:
        for key in keys:
            found[key].update(by_hand.frames(flash[at : at + by_hand.SECTOR], key, 0, _size_at(flash, at)))
        at = flash.find(b"\xa5\x5a", at + 1)
    return found


def _size_at(flash, at):
    return min(flash[at + 3] + 14, by_hand.SECTOR) if at + 3 < len(flash) else 0

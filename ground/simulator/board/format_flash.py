"""Make the board's file system on a flash image: `micropython format_flash.py IMAGE IMPORT_FOLDER SETTINGS`.

The image file exists already and has the flash's size; what is not littlefs in it becomes littlefs. SETTINGS is a file
of this computer, copied to settings.json unless the same is there already.
"""

import sys


def main(path, import_folder, settings_path):
    sys.path.insert(0, import_folder)
    from ground.simulator.board.flash_chip import FlashChip
    from ground.simulator.board.flash_mount import FOLDER, make, mount

    chip = FlashChip(None, None, path)
    try:
        mount(chip)
    except OSError:
        make(chip)
        mount(chip)
    with open(settings_path, "rb") as file:
        wanted = file.read()
    name = FOLDER + "/settings.json"
    try:
        with open(name, "rb") as file:
            found = file.read()
    except OSError:
        found = None
    if found != wanted:
        with open(name, "wb") as file:
            file.write(wanted)


main(sys.argv[1], sys.argv[2], sys.argv[3])

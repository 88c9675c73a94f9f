"""Put an empty FAT volume on a card image: `micropython format_card.py IMAGE IMPORT_FOLDER`.

The image file exists already and has the card's size. Cluster size and FAT type are MicroPython's own choice
(oofatfs f_mkfs), so the volume is what a board's `VfsFat.mkfs` would make. Under CPython pyfatfs makes it.
"""

import sys


def main(path, import_folder):
    sys.path.insert(0, import_folder)
    if sys.implementation.name == "micropython":
        from vfs import VfsFat
    else:
        from ground.simulator.board.cpython_vfs import VfsFat
    from ground.simulator.board.card import Card

    card = Card(None, None, path)
    VfsFat.mkfs(card)
    card.read_layout()  # raises if no volume came out
    card.close()


main(sys.argv[1], sys.argv[2])

"""Put an empty FAT volume on a card image: `micropython format_card.py IMAGE IMPORT_FOLDER`.

The image file exists already and has the card's size. Cluster size and FAT type are MicroPython's own choice
(oofatfs f_mkfs), so the volume is what a board's `VfsFat.mkfs` would make.
"""

import sys


def main(path, import_folder):
    sys.path.insert(0, import_folder)
    import vfs

    from ground.simulator.board.card import Card

    card = Card(None, None, path)
    vfs.VfsFat.mkfs(card)
    card.read_layout()  # raises if no volume came out
    card.close()


main(sys.argv[1], sys.argv[2])

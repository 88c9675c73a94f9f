"""Put an empty FAT volume on a card image: `micropython format_card.py IMAGE IMPORT_FOLDER`.

The image file exists already and has the card's size. Cluster size and FAT type are MicroPython's own choice
(oofatfs f_mkfs), so the volume is what a board's `VfsFat.mkfs` would make. Under CPython pyfatfs makes it.
"""

import sys

_SERIAL = b"1 DT"


def main(path, import_folder):
    sys.path.insert(0, import_folder)
    if sys.implementation.name == "micropython":
        from vfs import VfsFat
    else:
        from ground.simulator.board.cpython_vfs import VfsFat
    from ground.simulator.board.card import Card

    card = Card(None, None, path)
    card.before_write = _with_constant_serial_number
    VfsFat.mkfs(card)
    card.read_layout()  # raises if no volume came out
    card.close()


def _with_constant_serial_number(block, data):
    """The driver makes the volume's serial number from the laptop's clock; two runs of one flight must not differ."""
    data = bytearray(data)
    is_boot_sector = data[0] in (0xEB, 0xE9) and data[510] == 0x55 and data[511] == 0xAA
    if is_boot_sector:
        for mark in (38, 66):  # FAT12 and FAT16, FAT32 (fatgen103, BS_BootSig)
            if data[mark] == 0x29:
                data[mark + 1:mark + 5] = _SERIAL
                break
    return data


main(sys.argv[1], sys.argv[2])

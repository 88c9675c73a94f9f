"""Put a FAT volume on a card image: `micropython format_card.py IMAGE IMPORT_FOLDER [FREE_BYTES]`.

It is empty, or holds files that leave no more than FREE_BYTES free: a card that is full of something else.
The image file exists already and has the card's size. Cluster size and FAT type are MicroPython's own choice
(oofatfs f_mkfs), so the volume is what a board's `VfsFat.mkfs` would make. Under CPython pyfatfs makes it.
"""

import sys

_SERIAL = b"1 DT"


_FILLING = "PICT%04d.BIN"
_FILLING_MAX = 1 << 30  # a file on FAT ends below 4 GiB


def main(path, import_folder, free_bytes=None):
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
    if free_bytes is not None:
        card.before_write = _with_constant_stamps(card)
        _fill(VfsFat(card), int(free_bytes))
    card.close()


def _fill(volume, free_bytes):
    """Files of whole clusters, made by seeking past their ends; what they hold is whatever the card holds."""
    cluster, _, _, free = volume.statvfs("/")[:4]
    left = (free - free_bytes // cluster) * cluster
    number = 0
    while left > 0:
        size = min(left, _FILLING_MAX)
        file = volume.open(_FILLING % number, "wb")
        file.seek(size - 1)
        file.write(b"\0")
        file.close()
        left -= size
        number += 1


def _with_constant_stamps(card):
    """A hook: directory entries get the date of a board that was just switched on, not the laptop's."""
    from ground.simulator.board.card_layout import DIRECTORY
    from ground.simulator.board.card_stamps import stamped

    def before_write(block, data):
        return stamped(card._raw_block(block), data, 0) if card.layout.region(block) == DIRECTORY else None

    return before_write


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


main(*sys.argv[1:])

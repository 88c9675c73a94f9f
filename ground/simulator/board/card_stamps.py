"""Dates of files as the board's own clock would give them.

MicroPython's FAT driver asks its port for the time of day, and the Unix port answers with the laptop's: two runs of
one flight would differ, and a card from a simulated flight would show today's date. On the board the answer comes
from an RTC that starts at 2021-01-01 in every boot. So the card sets these stamps as directory blocks go by:
an entry whose name, size, place or attributes change is stamped now, any other keeps the stamps it has.
Layout of an entry: Microsoft FAT specification (fatgen103), "FAT 32 Byte Directory Entry Structure".
"""

_ENTRY = 32
_FREE, _ERASED, _LONG_NAME = 0x00, 0xE5, 0x0F
_BOOT_DATE = (2021 - 1980) << 9 | 1 << 5 | 1
_DAY_S = 86400


def stamped(old, new, seconds):
    """The directory block `new`, about to take the place of `old`, with the board's stamps.

    Parameters
    ----------
    old, new : bytes, length 512
    seconds : int
        Since the RTC's start. [s]
    """
    new = bytearray(new)
    for at in range(0, len(new), _ENTRY):
        if new[at] in (_FREE, _ERASED) or new[at + 11] & 0x3F == _LONG_NAME:
            continue
        same_name = old[at:at + 11] == new[at:at + 11]
        if same_name and _without_stamps(old, at) == _without_stamps(new, at):
            new[at + 13:at + 20] = old[at + 13:at + 20]
            new[at + 22:at + 26] = old[at + 22:at + 26]
            continue
        stamp = _stamp(seconds)
        new[at + 22:at + 26] = stamp
        new[at + 18:at + 20] = stamp[2:]
        new[at + 13] = 0
        new[at + 14:at + 18] = old[at + 14:at + 18] if same_name else stamp
    return new


def _without_stamps(data, at):
    return data[at + 11:at + 13] + data[at + 20:at + 22] + data[at + 26:at + 32]


def _stamp(seconds):
    """Time and date words, little-endian; the flight is over long before the month is."""
    day, rest = seconds // _DAY_S, seconds % _DAY_S
    time = rest // 3600 << 11 | rest // 60 % 60 << 5 | rest % 60 // 2
    date = _BOOT_DATE + day
    return bytes((time & 0xFF, time >> 8, date & 0xFF, date >> 8))

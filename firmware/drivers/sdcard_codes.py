"""Check sums and capacity of SD cards: pure functions for sdcard.py.

Sections: SD Specifications Part 1, Physical Layer Simplified Specification.
"""

from array import array

_CRC16 = array("H", [0] * 16)  # of one nibble, polynomial x^16 + x^12 + x^5 + 1 (4.5)
for _nibble in range(16):
    _crc = _nibble << 12
    for _bit in range(4):
        _crc = (_crc << 1 ^ 0x1021 if _crc & 0x8000 else _crc << 1) & 0xFFFF
    _CRC16[_nibble] = _crc


def crc7(buf, count: int) -> int:
    """The last byte of a command: CRC-7 (x^7 + x^3 + 1) of its first `count` bytes, and the end bit (4.5)."""
    crc = 0
    for i in range(count):
        crc ^= buf[i]
        for _ in range(8):
            crc = (crc << 1 ^ 0x12 if crc & 0x80 else crc << 1) & 0xFF
    return crc | 1


def crc16(buf) -> int:
    """CRC-16 of a data block (4.5)."""
    table = _CRC16
    crc = 0
    for value in buf:
        crc = (crc << 4 & 0xFFFF) ^ table[crc >> 12 ^ value >> 4]
        crc = (crc << 4 & 0xFFFF) ^ table[crc >> 12 ^ value & 0x0F]
    return crc


def capacity_blocks(csd) -> int:
    """Blocks of 512 bytes, from the 16 bytes of the card-specific data; 0 for a structure unknown to us (5.3)."""
    if csd[0] >> 6 == 1:  # version 2.0: high and extended capacity
        return ((csd[7] & 0x3F) << 16 | csd[8] << 8 | csd[9]) * 1024 + 1024
    if csd[0] >> 6 == 0:
        size = (csd[6] & 0x03) << 10 | csd[7] << 2 | csd[8] >> 6
        multiplier = (csd[9] & 0x03) << 1 | csd[10] >> 7
        return (size + 1) << (multiplier + 2 + (csd[5] & 0x0F) - 9)
    return 0

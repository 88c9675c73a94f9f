"""Check sums and registers of SD cards, from SD Specifications Part 1, Physical Layer Simplified Specification.

Written apart from the firmware's own (another way round: a table of whole bytes here), so that no mistake is made
twice.
"""


def _table(width, polynomial):
    table = []
    top = 1 << width - 1
    mask = (1 << width) - 1
    for value in range(256):
        crc = value << width - 8 if width >= 8 else value
        for _ in range(8):
            crc = (crc << 1 ^ polynomial if crc & top else crc << 1) & mask
        table.append(crc)
    return table


_CRC16 = _table(16, 0x1021)  # x^16 + x^12 + x^5 + 1 (4.5)
_CRC7 = _table(8, 0x12)  # x^7 + x^3 + 1, one bit to the left (4.5)


def crc16(data):
    """CRC of a data block."""
    crc = 0
    table = _CRC16
    for value in data:
        crc = (crc << 8 & 0xFF00) ^ table[crc >> 8 ^ value]
    return crc


def last_byte(command):
    """What a command's five bytes have to be followed by: CRC-7 and the end bit."""
    crc = 0
    for index in range(5):
        crc = _CRC7[crc ^ command[index]]
    return crc | 1


def csd(block_count, high_capacity):
    """Card-specific data, 16 bytes (5.3). Raises ValueError for a size that the register cannot say."""
    data = bytearray(16)
    if high_capacity:  # version 2.0: C_SIZE counts 1024 blocks
        size = block_count // 1024 - 1
        if size < 0 or size > 0x3FFFFF or block_count % 1024:
            raise ValueError("a high-capacity card has a multiple of 512 KiB")
        data[0], data[1], data[3], data[4], data[5], data[6] = 0x40, 0x0E, 0x32, 0x5B, 0x59, 0x00
        data[7], data[8], data[9] = size >> 16, size >> 8 & 0xFF, size & 0xFF
        data[10], data[11], data[12], data[13] = 0x7F, 0x80, 0x0A, 0x40
    else:  # version 1.0: (C_SIZE + 1) * 2^(C_SIZE_MULT + 2) blocks of 2^READ_BL_LEN bytes
        multiplier, length = 7, 9
        if block_count > 4096 << 9:
            length = 10  # the only way to say 2 GiB
        units = block_count >> multiplier + 2 + length - 9
        if units < 1 or units > 4096 or units << multiplier + 2 + length - 9 != block_count:
            raise ValueError("a card of standard capacity has a multiple of 256 KiB and 2 GiB at most")
        size = units - 1
        data[0], data[1], data[3], data[4], data[5] = 0x00, 0x26, 0x32, 0x5F, 0x50 | length
        data[6], data[7], data[8] = 0x80 | size >> 10, size >> 2 & 0xFF, (size & 3) << 6 | 0x2D
        data[9], data[10], data[11] = 0xB4 | multiplier >> 1, (multiplier & 1) << 7 | 0x7F, 0xC0
        data[12], data[13] = 0x96, 0x40
    data[15] = last_byte_of_register(data)
    return data


def cid(serial):
    """Card identification, 16 bytes (5.2): an invented maker and product."""
    data = bytearray(b"\x7fTDTHIST\x10" + serial[:4] + b"\x01\x79\x00")
    data[15] = last_byte_of_register(data)
    return data


def last_byte_of_register(data):
    """CRC-7 over the first 15 bytes, and the bit that is always 1."""
    crc = 0
    for index in range(15):
        crc = _CRC7[crc ^ data[index]]
    return crc | 1

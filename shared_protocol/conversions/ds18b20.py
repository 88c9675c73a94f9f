"""DS18B20 temperature and the 1-wire CRC-8 (Maxim data sheet DS18B20, "Measuring temperature" and "CRC generation")."""

POWER_ON_RAW = 0x0550  # 85 degC: what the scratchpad holds before the first conversion
COUNTS_PER_DEGREE = 16


def temperature_c(raw):
    """Temperature of a signed 16-bit scratchpad word (int or array). [degC]"""
    return raw / COUNTS_PER_DEGREE


def crc8(data):
    """1-wire CRC-8 (polynomial x8 + x5 + x4 + 1, low bit first) of bytes; over data and its CRC it is 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc

"""TMP117 temperature (TI data sheet SNOSD82, 7.6.2 "Temperature Register")."""

COUNTS_PER_DEGREE = 128  # 7.8125 mC
NEVER_CONVERTED = -0x8000  # -256 degC: the register from power-up or reset until the first conversion has ended


def temperature_c(raw):
    """Temperature of a signed 16-bit result word (int or array). [degC]"""
    return raw / COUNTS_PER_DEGREE

"""Pressure from a BMP280's or BME280's raw words, for the flight phase: see shared_protocol/conversions/bmp280.py."""

from shared_protocol.conversions.bmp280 import fine_temperature, pressure_q8


def pressure_pa(d1: int, d2: int, prom) -> int:
    """Pressure, not clamped, also below the rated 300 hPa: for the flight phase it only has to rise and fall. [Pa]"""
    return pressure_q8(d1, fine_temperature(d2, prom), prom) >> 8

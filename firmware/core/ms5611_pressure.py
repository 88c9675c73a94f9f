"""Pressure from an MS5611's raw words, for the flight phase: what shared_protocol/conversions/ms5611.py computes.

That one gives two values, and a pair of values is a new object on MicroPython; this one gives one and is for single
whole numbers only. A test holds the two together bit for bit.
"""


def pressure_pa(d1: int, d2: int, prom) -> int:
    """Pressure with the second-order correction, not clamped (TE data sheet MS5611-01BA03). [Pa]"""
    dt = d2 - (prom[5] << 8)
    temp = 2000 + (dt * prom[6] >> 23)  # 0.01 degC, first order
    off = (prom[2] << 16) + (prom[4] * dt >> 7)
    sens = (prom[1] << 15) + (prom[3] * dt >> 8)
    if temp < 2000:
        square = (temp - 2000) * (temp - 2000)
        off2 = 5 * square >> 1
        sens2 = 5 * square >> 2
        if temp < -1500:
            square = (temp + 1500) * (temp + 1500)
            off2 += 7 * square
            sens2 += 11 * square >> 1
        off -= off2
        sens -= sens2
    return ((d1 * sens >> 21) - off) >> 15

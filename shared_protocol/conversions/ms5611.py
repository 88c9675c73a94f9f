"""MS5611 pressure and temperature from raw words (TE data sheet MS5611-01BA03, "Pressure and temperature calculation").

Written without `if`, so that one formula serves single whole numbers on the board and int64 arrays on the ground,
bit for bit: a comparison counts as 0 or 1. Shifts round towards minus infinity where the data sheet's C divides;
the two differ by at most one count (check value `ms5611.example` and its neighbours).
"""


def compensate(d1, d2, c):
    """Temperature and pressure with the second-order correction.

    Parameters
    ----------
    d1, d2 : int or integer array, shape (n,)
        Raw pressure and temperature words, 24 bits.
    c : sequence of 8 int
        PROM words; `c[1]` to `c[6]` are the data sheet's C1 to C6.

    Returns
    -------
    temp_centi_c, pressure_pa : int or integer array, shape (n,)
        0.01 degC and Pa. Nothing is clamped: a value outside the rated range (-40 to 85 degC, 1000 to 120000 Pa) is
        given as computed, and may even be negative.
    """
    dt = d2 - (c[5] << 8)
    temp = 2000 + ((dt * c[6]) >> 23)
    off = (c[2] << 16) + ((c[4] * dt) >> 7)
    sens = (c[1] << 15) + ((c[3] * dt) >> 8)
    cool = temp < 2000  # data sheet: "low temperature", below 20 degC
    cold = temp < -1500  # "very low temperature", below -15 degC, judged on the first-order value
    below_20 = (temp - 2000) * (temp - 2000)
    below_minus_15 = (temp + 1500) * (temp + 1500)
    t2 = cool * ((dt * dt) >> 31)
    off2 = cool * ((5 * below_20) >> 1) + cold * (7 * below_minus_15)
    sens2 = cool * ((5 * below_20) >> 2) + cold * ((11 * below_minus_15) >> 1)
    pressure = (((d1 * (sens - sens2)) >> 21) - (off - off2)) >> 15
    return temp - t2, pressure


def prom_crc4(words):
    """CRC-4 over the eight PROM words with the low nibble of the last one left out (application note AN520).

    An all-zero PROM has CRC 0 and "passes": a driver must refuse it separately.
    """
    remainder = 0
    for index in range(16):
        word = words[index >> 1]
        if index >> 1 == 7:
            word &= 0xFF00
        remainder ^= word & 0xFF if index & 1 else word >> 8
        for _ in range(8):
            remainder = (remainder << 1) ^ 0x3000 if remainder & 0x8000 else remainder << 1
            remainder &= 0xFFFF
    return remainder >> 12

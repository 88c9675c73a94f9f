"""BMP280 and BME280 from raw words (Bosch data sheets BST-BMP280-DS001, 3.11.3, and BST-BME280-DS002, 4.2.3).

The data sheets' 64-bit integer code with its shifts, written without `if`, so that one formula serves single whole
numbers on the board and int64 arrays on the ground, bit for bit: a comparison counts as 0 or 1. Two steps are
rearranged without changing a bit of the result, because the data sheet's intermediate values need 63 bits:
- ((1 << 47) + x) * P1 >> 33 is (P1 << 14) + (x * P1 >> 33);
- a * 3125 / b is taken from quotient and remainder of a / b.
So nothing overflows int64, nor leaves the small integers of a 64-bit MicroPython (nothing is allocated), for the
calibration of any real chip and all raw words. Shifts round towards minus infinity as in the data sheet; the maker's
driver divides instead, and the two differ by a count now and then (check value `bmp280.rounding.shift_vs_divide`).

The data sheet prints 25767236 for its worked pressure; its own code gives 25767233, and so does this one.
"""

NEVER_CONVERTED = 0x80000  # what both 20-bit words hold before a conversion, or when it was left out (4.3.6)
HUMIDITY_NEVER_CONVERTED = 0x8000
PRESSURE_COUNTS_PER_PA = 256
HUMIDITY_COUNTS_PER_PERCENT = 1024


def fine_temperature(adc_t, cal):
    """t_fine, 1/5120 degC, from the raw temperature word (int or int64 array); `cal` is T1 to T3, P1 to P9."""
    above = (adc_t >> 3) - (cal[0] << 1)
    first = (above * cal[1]) >> 11
    above = (adc_t >> 4) - cal[0]
    return first + ((((above * above) >> 12) * cal[2]) >> 14)


def temperature_centi_c(t_fine):
    """Temperature of the chip itself. [0.01 degC]"""
    return (t_fine * 5 + 128) >> 8


def pressure_q8(adc_p, t_fine, cal):
    """Pressure from the raw pressure word and t_fine. [1/256 Pa]

    Nothing is clamped: rated are 300 to 1100 hPa, and what the formula gives outside is given as computed. 0 where the
    divisor is 0, as in the data sheet (a calibration that no real chip has).
    """
    heat = t_fine - 128000
    square = heat * heat
    slope = ((square * cal[5]) >> 8) + heat * (cal[4] << 12)
    slope = (cal[3] << 14) + ((slope * cal[3]) >> 33)
    is_zero = slope == 0
    divisor = slope + is_zero
    span = ((1 << 51) - (cal[6] << 35)) - (adc_p << 31) - square * cal[8] - heat * (cal[7] << 17)
    quotient = span // divisor
    p = quotient * 3125 + ((span - quotient * divisor) * 3125) // divisor
    coarse = p >> 13
    second = (cal[11] * coarse * coarse) >> 25
    first = (cal[10] * p) >> 19
    return (((p + second + first) >> 8) + (cal[9] << 4)) * (1 - is_zero)


def compensate(adc_p, adc_t, cal):
    """Temperature and pressure of raw words: `(0.01 degC, 1/256 Pa)`.

    Parameters
    ----------
    adc_p, adc_t : int or int64 array, shape (n,)
        Raw 20-bit words. A word that is NEVER_CONVERTED gives a believable number: refuse it first.
    cal : sequence of 12 int
        T1 to T3 and P1 to P9; T1 and P1 unsigned, the others signed.
    """
    t_fine = fine_temperature(adc_t, cal)
    return temperature_centi_c(t_fine), pressure_q8(adc_p, t_fine, cal)


def humidity_q10(adc_h, t_fine, cal):
    """Relative humidity of a BME280. [1/1024 %]

    Parameters
    ----------
    adc_h : int or int64 array, shape (n,)
        Raw 16-bit word.
    t_fine : int or int64 array, shape (n,)
        From the temperature word of the same measurement.
    cal : sequence of 6 int
        H1 to H6.

    The data sheet's code ends by clamping to 0 and 100 %; that is left to whoever shows the number.
    """
    heat = t_fine - 76800
    level = ((adc_h << 14) - (cal[3] << 20) - cal[4] * heat + 16384) >> 15
    gain = (((heat * cal[5]) >> 10) * (((heat * cal[2]) >> 11) + 32768)) >> 10
    value = level * (((gain + 2097152) * cal[1] + 8192) >> 14)
    half = value >> 15
    return (value - ((((half * half) >> 7) * cal[0]) >> 4)) >> 12


def calibration_holds(cal):
    """Whether words can be the calibration of a real chip: T1, T2, P1 not all zeros or ones, as on a stuck bus.

    The chip stores no check sum. T1, T2 and P1 are the scale of temperature and pressure, and never 0.
    """
    return 0 < cal[0] < 0xFFFF and cal[1] not in (0, -1) and 0 < cal[3] < 0xFFFF

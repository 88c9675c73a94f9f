"""Whole numbers out of the text of a sentence, without a string or a float: nothing here allocates.

Each function reads `buf[begin:stop]` in place and gives UNKNOWN_I32 for an empty or malformed field. Results stay below
2**30 but for longitudes past 107 degrees, so a 32-bit board makes no object of them either.
"""

from shared_protocol.compat import const
from shared_protocol.records import UNKNOWN_I32

_VALUE_MAX = const(107374181)  # ten times this and a digit still is below 2**30


def fixed(buf, begin: int, stop: int, decimals: int) -> int:
    """A decimal number times 10**decimals, rounded half away from zero: "-412.7" with 3 decimals is -412700."""
    negative = begin < stop and buf[begin] == 45  # "-"
    if negative:
        begin += 1
    value = 0
    left = -1  # digits still wanted after the point; -1: no point yet
    seen = False
    rounded = False
    for i in range(begin, stop):
        digit = buf[i] - 48
        if 0 <= digit <= 9:
            seen = True
            if left != 0:
                if value > _VALUE_MAX:
                    return UNKNOWN_I32
                value = value * 10 + digit
                if left > 0:
                    left -= 1
            elif not rounded:
                rounded = True
                if digit >= 5:
                    value += 1
        elif digit == -2 and left < 0:  # "."
            left = decimals
            if decimals == 0:
                left = 0
        else:
            return UNKNOWN_I32
    if not seen:
        return UNKNOWN_I32
    if left < 0:
        left = decimals
    while left > 0:
        if value > _VALUE_MAX:
            return UNKNOWN_I32
        value *= 10
        left -= 1
    return -value if negative else value


def angle(buf, begin: int, stop: int, hemisphere: int, degrees_max: int) -> int:
    """Degrees and minutes ("4807.038") with their hemisphere letter as 1e-7 degrees, rounded half away from zero.

    Minutes are taken to 1e-7 and divided by 60 last: 59.9999999 minutes is below 6e8 in that unit, a small integer.
    """
    if hemisphere == 78 or hemisphere == 69:  # "N", "E"
        negative = False
    elif hemisphere == 83 or hemisphere == 87:  # "S", "W"
        negative = True
    else:
        return UNKNOWN_I32
    whole = 0
    i = begin
    while i < stop:
        digit = buf[i] - 48
        if not 0 <= digit <= 9:
            break
        whole = whole * 10 + digit
        i += 1
    size = i - begin
    if size < 3 or size > 5:  # at least d and mm, at most ddd and mm
        return UNKNOWN_I32
    minutes = whole % 100
    degrees = whole // 100
    if minutes > 59:
        return UNKNOWN_I32
    places = 7
    if i < stop:
        if buf[i] != 46:  # "."
            return UNKNOWN_I32
        i += 1
        while i < stop:
            digit = buf[i] - 48
            if not 0 <= digit <= 9:
                return UNKNOWN_I32
            if places > 0:  # what comes after 1e-7 minutes can't change the rounding of 1e-7 degrees
                minutes = minutes * 10 + digit
                places -= 1
            i += 1
    while places > 0:
        minutes *= 10
        places -= 1
    fraction = (minutes + 30) // 60
    if degrees > degrees_max or (degrees == degrees_max and fraction > 0):
        return UNKNOWN_I32
    value = degrees * 10000000 + fraction
    return -value if negative else value


def two_digits(buf, at: int) -> int:
    """The number in two characters, or -1000 (so that a sum with it stays negative)."""
    tens = buf[at] - 48
    ones = buf[at + 1] - 48
    if 0 <= tens <= 9 and 0 <= ones <= 9:
        return tens * 10 + ones
    return -1000


def time_of_day(buf, begin: int, stop: int) -> int:
    """hhmmss or hhmmss.s... as milliseconds of the day; second 60 is a leap second and runs past the minute."""
    if stop - begin < 6:
        return UNKNOWN_I32
    hour = two_digits(buf, begin)
    minute = two_digits(buf, begin + 2)
    second = two_digits(buf, begin + 4)
    if hour < 0 or hour > 23 or minute < 0 or minute > 59 or second < 0 or second > 60:
        return UNKNOWN_I32
    millisecond = 0
    if stop - begin > 6:
        if buf[begin + 6] != 46:
            return UNKNOWN_I32
        if stop - begin > 7:
            millisecond = fixed(buf, begin + 6, stop, 3)
            if millisecond == UNKNOWN_I32:
                return UNKNOWN_I32
    return ((hour * 60 + minute) * 60 + second) * 1000 + millisecond


def signed32(buf, at: int) -> int:
    """Little-endian two's complement. The sign goes in first: a small result never passes through a big one."""
    top = buf[at + 3]
    if top > 127:
        top -= 256
    return buf[at] | buf[at + 1] << 8 | buf[at + 2] << 16 | top << 24


def unsigned32(buf, at: int, unknown: int) -> int:
    """Little-endian; 2**30 and more, which in our messages only means "no idea", gives `unknown`."""
    top = buf[at + 3]
    if top >= 0x40:
        return unknown
    return buf[at] | buf[at + 1] << 8 | buf[at + 2] << 16 | top << 24


def days_in_month(year: int, month: int) -> int:
    """28 to 31; 0 for a month that there is not."""
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    if month < 1 or month > 12:
        return 0
    return 30 if month in (4, 6, 9, 11) else 31


def is_date(year: int, month: int, day: int) -> bool:
    """True for a day of the calendar from 1980, when GPS time begins."""
    return 1980 <= year <= 2999 and 1 <= day <= days_in_month(year, month)

"""Dates, GPS weeks and the 18 leap seconds, in whole numbers."""

LEAP_S = 18  # GPS time is ahead of UTC by so much since 2017-01-01 (IERS Bulletin C 52)
GPS_EPOCH_UNIX_S = 315964800  # 1980-01-06T00:00:00Z
_WEEK_S = 604800


def civil(unix_s):
    """(year, month, day, hour, minute, second) of a Unix time, by the rules of the Gregorian calendar."""
    days, second = unix_s // 86400, unix_s % 86400
    days += 719468  # from 0000-03-01, so that the leap day is the last of its year
    era, day_of_era = days // 146097, days % 146097
    year_of_era = (day_of_era - day_of_era // 1460 + day_of_era // 36524 - day_of_era // 146096) // 365
    day_of_year = day_of_era - (365 * year_of_era + year_of_era // 4 - year_of_era // 100)
    march_month = (5 * day_of_year + 2) // 153
    day = day_of_year - (153 * march_month + 2) // 5 + 1
    month = march_month + 3 if march_month < 10 else march_month - 9
    year = year_of_era + era * 400 + (1 if month <= 2 else 0)
    return year, month, day, second // 3600, second // 60 % 60, second % 60


def time_of_week_ms(unix_ms):
    """GPS time of week of a UTC moment. [ms]"""
    return (unix_ms - GPS_EPOCH_UNIX_S * 1000 + LEAP_S * 1000) % (_WEEK_S * 1000)

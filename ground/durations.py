"""Lengths of time in words."""

from math import isfinite


def duration_words(length_ms):
    """`2 h 05 min`, `3 min 20 s`, `12 s`, `0.4 s`: a length of time for a reader."""
    if not isfinite(length_ms):
        return "not known"
    seconds = length_ms / 1000
    if abs(seconds) < 10 and seconds != round(seconds):
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if abs(whole) < 60:
        return f"{whole} s"
    if abs(whole) < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"

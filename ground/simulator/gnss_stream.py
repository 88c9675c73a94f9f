"""Cuts a recorded receiver stream into the epochs in which the receiver said it.

A receiver says everything about one moment in one burst, then pauses. A recording has lost the pauses; what is left
are the times inside the messages. An epoch therefore ends where

- a message gives another time than the messages before it, or
- a message that comes once in an epoch comes again (a receiver without a fix may give no time at all), or
- a message without a time comes again although one of the two kinds above has come in between.

Bytes that are no whole message (noise, the torn ends of a recording) stay with what was before them, at the start of
the file with what follows. No byte is lost, doubled or moved. GPS and UTC times meet through the leap seconds, which
are taken from the recording itself where it tells them.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ground.errors import InputError

_SAME_MS = 40  # two times closer than this are one epoch; the fastest receivers give 25 a second
_DAY_MS = 86400000
_LEAP_S = 18
_NMEA = re.compile(rb"[$!]([A-Z]{2})([A-Z0-9]{3})[^\r\n$!]*\*[0-9A-Fa-f]{2}\r?\n?")
_NMEA_TIME_FIELD = {b"RMC": 1, b"GGA": 1, b"GNS": 1, b"ZDA": 1, b"GLL": 5, b"GBS": 1, b"GST": 1}
_NMEA_ONCE = {b"RMC", b"GGA", b"GNS", b"ZDA", b"GLL", b"VTG"}
_UBX_NAV, _NAV_PVT, _NAV_TIMEGPS = 0x01, 0x07, 0x20
_UBX_WITHOUT_TIME = {(0x01, 0x60)}  # NAV messages whose payload does not begin with the time of week


@dataclass(frozen=True)
class _Message:
    start: int
    end: int
    key: tuple
    once: bool
    time_ms: int | None = None  # of the UTC day
    week_ms: int | None = None  # GPS time of week, to be turned into time_ms


def split_epochs(data):
    """Offsets at which the epochs of a recording end; the last is its length, an empty recording has none.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    list of int
        Ascending; epoch k is data[ends[k - 1]:ends[k]].
    """
    if not data:
        return []
    messages, leap_s = _messages(data)
    ends: list[int] = []
    seen: set[tuple] = set()  # kinds of message in this epoch so far
    crossed: set[tuple] = set()  # of these, the kinds that came before its latest timed message
    now_ms = None
    for message in messages:
        time_ms = message.time_ms
        if message.week_ms is not None:
            time_ms = (message.week_ms - leap_s * 1000) % _DAY_MS
        if seen and _begins_epoch(message, time_ms, now_ms, seen, crossed):
            ends.append(message.start)
            seen, crossed, now_ms = set(), set(), None
        if message.once or time_ms is not None:
            crossed |= seen
        seen.add(message.key)
        if time_ms is not None and now_ms is None:
            now_ms = time_ms
    return [end for end in ends if end > 0] + [len(data)]


def _begins_epoch(message, time_ms, now_ms, seen, crossed):
    if time_ms is not None and now_ms is not None and _apart_ms(time_ms, now_ms) > _SAME_MS:
        return True
    if message.once:
        return message.key in seen
    return time_ms is None and message.key[0] == "nmea" and message.key in crossed and message.key[2] != b"TXT"


def schedule(data, ends, baud):
    """When each epoch begins: one a second, or as soon as the line is free where an epoch is longer.

    Returns
    -------
    starts_us : list of int
        From the beginning of the first epoch. [us]
    duration_us : int
        Until the last byte has gone out. [us]
    """
    starts_us, at_us, free_us, start = [], 0, 0, 0
    for end in ends:
        at_us = max(at_us, free_us)
        starts_us.append(at_us)
        free_us = at_us + (end - start) * 10_000_000 // baud + 1
        at_us += 1_000_000
        start = end
    return starts_us, max(free_us, at_us)


def read_stream(path):
    """The bytes of a recording. Raises InputError where there is none to play."""
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); give a recording of a receiver") from None
    if not data:
        raise InputError(f"{path}: is empty; give a recording of a receiver")
    return data


def _apart_ms(a, b):
    """Distance of two times of day, over midnight too."""
    distance = abs(a - b) % _DAY_MS
    return min(distance, _DAY_MS - distance)


def _messages(data):
    """All whole messages in order, and the leap seconds the recording speaks of."""
    messages, leap_s, at = [], _LEAP_S, 0
    sums = _Sums(data)
    while at < len(data):
        message = None
        if data[at] == 0xB5:
            message = _ubx(data, at, sums)
            if message is not None:
                leap_s = _leap_seconds(data, message, leap_s)
        elif data[at] in b"$!":
            message = _nmea(data, at)
        if message is None:
            at += 1
        else:
            messages.append(message)
            at = message.end
    return messages, leap_s


def _ubx(data, at, sums):
    if data[at : at + 2] != b"\xb5\x62" or at + 8 > len(data):
        return None
    end = at + 8 + int.from_bytes(data[at + 4 : at + 6], "little")
    if end > len(data) or sums.fletcher(at + 2, end - 2) != data[end - 2 : end]:
        return None
    name = (data[at + 2], data[at + 3])
    timed = name[0] == _UBX_NAV and name not in _UBX_WITHOUT_TIME and end - at >= 12
    week_ms = int.from_bytes(data[at + 6 : at + 10], "little") if timed else None
    return _Message(at, end, ("ubx", *name), once=timed, week_ms=week_ms)


def _leap_seconds(data, message, leap_s):
    """From a NAV-TIMEGPS that says so, or a NAV-PVT that gives the moment in both scales."""
    payload = data[message.start + 6 : message.end - 2]
    if message.key == ("ubx", _UBX_NAV, _NAV_TIMEGPS) and len(payload) == 16 and payload[11] & 4:
        return int.from_bytes(payload[10:11], "little", signed=True)
    if message.key == ("ubx", _UBX_NAV, _NAV_PVT) and len(payload) >= 84 and payload[11] & 6 == 6:
        hour, minute, second = payload[8:11]
        nano = int.from_bytes(payload[16:20], "little", signed=True)
        utc_ms = (hour * 3600 + minute * 60 + second) * 1000 + round(nano / 1e6)
        ahead_ms = (int.from_bytes(payload[:4], "little") - utc_ms) % _DAY_MS
        if ahead_ms < 100_000:
            return round(ahead_ms / 1000)
    return leap_s


class _Sums:
    """Check sums of any stretch of a recording, each at once: a stream of false beginnings, each of which claims 64 KB,
    would else be added up from each of them on."""

    def __init__(self, data):
        once = np.cumsum(np.frombuffer(data, np.uint8), dtype=np.uint8)  # all sums are modulo 256
        self._once = b"\0" + once.tobytes()
        self._twice = b"\0" + np.cumsum(np.frombuffer(self._once, np.uint8), dtype=np.uint8).tobytes()

    def fletcher(self, first, last):
        """The two check bytes of data[first:last]: u-blox protocol specification, "UBX Checksum"."""
        before = self._once[first]
        b = self._twice[last + 1] - self._twice[first + 1] - (last - first) * before
        return bytes(((self._once[last] - before) & 0xFF, b & 0xFF))


def _nmea(data, at):
    match = _NMEA.match(data, at)
    if match is None:
        return None
    talker, kind = match.group(1), match.group(2)
    text = match.group(0)
    star = text.rindex(b"*")
    check = 0
    for byte in text[1:star]:
        check ^= byte
    if check != int(text[star + 1 : star + 3], 16):
        return None
    time_ms = None
    if kind in _NMEA_TIME_FIELD:
        fields = text[:star].split(b",")
        index = _NMEA_TIME_FIELD[kind]
        time_ms = _time_of_day_ms(fields[index]) if index < len(fields) else None
    return _Message(at, match.end(), ("nmea", talker, kind), once=kind in _NMEA_ONCE, time_ms=time_ms)


def _time_of_day_ms(text):
    if not re.fullmatch(rb"\d{6}(\.\d*)?", text):
        return None
    whole = int(text[:2]) * 3600 + int(text[2:4]) * 60 + int(text[4:6])
    return whole * 1000 + round(float(b"0" + text[6:]) * 1000 if len(text) > 6 else 0)

"""Calibration words of the barometers, and which of them hold for which reading.

The board writes them when a chip starts, before its first reading, and again every minute. A chip that was put in
another one's place in flight so changes the calibration in the middle of a boot. Where a boot has none left, the
nearest boot of the same log stands in, the one before first.
"""

from dataclasses import dataclass

import numpy as np

from ground.decode.by_value import rows_by_value
from ground.decode.frames.wire import KIND_OF_NAME
from shared_protocol.conversions import bmp280, ms5611

_PROM = [f"c{n}" for n in range(8)]
_BMP280 = ["t1", "t2", "t3", *(f"p{n}" for n in range(1, 10))]
_HUMIDITY = [f"h{n}" for n in range(1, 7)]


def prom_words(row):
    """The eight PROM words of an MS5611; None if they fail the chip's own CRC-4, or are all zero, which would pass."""
    words = [int(row[name]) for name in _PROM]
    return words if any(words) and ms5611.prom_crc4(words) == words[7] & 0xF else None


def bmp280_words(row):
    """T1 to T3 and P1 to P9; None for words of a stuck bus. These chips keep no check sum."""
    words = [int(row[name]) for name in _BMP280]
    return words if bmp280.calibration_holds(words) else None


def humidity_words(row):
    """H1 to H6 of a BME280; None for words of a stuck bus."""
    words = [int(row[name]) for name in _HUMIDITY]
    return words if any(words) else None


@dataclass(frozen=True)
class Calibration:
    """Words of one chip, and when the board first said them in its boot. [ms]"""

    chip: int
    words: tuple
    t_ms: int


class Calibrations:
    """All that a log says of one sort. `readers` is record name -> function(row) that gives words or None."""

    def __init__(self, records, readers):
        self._pairs = records.keys.pairs
        self._known = {}  # sensor -> key -> list of Calibration, in order of time, neighbours different
        for name, words_of in readers.items():
            kind = KIND_OF_NAME[name]
            for row, key in zip(records.rows[kind], records.row_keys[kind].tolist(), strict=True):
                words = words_of(row)
                if words is not None:
                    said = Calibration(int(row["chip"]), tuple(words), int(row["_t_ms"]))
                    self._known.setdefault(int(row["sensor"]), {}).setdefault(key, []).append(said)
        for by_key in self._known.values():
            for key, said in by_key.items():
                said.sort(key=lambda one: one.t_ms)
                by_key[key] = [one for n, one in enumerate(said) if n == 0 or _differ(one, said[n - 1])]

    def pieces(self, key, sensor, t_ms):
        """Yield `(Calibration or None, rows)` for readings of one sensor in one boot; rows index `t_ms`, int64 (n,)."""
        known = self._known.get(sensor, {})
        changes = known[key] if key in known else [self._of_another_boot(key, known)]
        if len(changes) == 1:
            yield changes[0], np.arange(len(t_ms))
            return
        place = np.searchsorted([one.t_ms for one in changes], t_ms, side="right") - 1
        for number, rows in rows_by_value(np.maximum(place, 0)):  # before the first: its own record was lost
            yield changes[number], rows

    def _of_another_boot(self, key, known):
        log_id, boot = self._pairs[key]
        others = [other for other in known if self._pairs[other][0] == log_id]
        if not others:
            return None
        nearest = min(others, key=lambda other: (self._pairs[other][1] > boot, abs(self._pairs[other][1] - boot)))
        return known[nearest][-1 if self._pairs[nearest][1] < boot else 0]


def _differ(a, b):
    return a.chip != b.chip or a.words != b.words


def of_pressure(records):
    """Calibrations that pressure readings need."""
    return Calibrations(records, {"pressure_cal": prom_words, "bmp280_cal": bmp280_words})


def of_humidity(records):
    """Calibrations that humidity readings need beside those of pressure."""
    return Calibrations(records, {"humidity_cal": humidity_words})

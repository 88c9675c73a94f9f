"""Tables `pressure` and `humidity`: raw words through the calibration that held at the time.

A BMP280's word 0x80000 is never made a number, also where only one of the two words is it and it may have been
measured: a reading in some thousands is lost so, and none is believed that was never taken.
"""

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.readings import calibrations
from ground.decode.readings import flags as flag_bits
from ground.decode.readings.blocks import by_blocks
from ground.decode.readings.chips import CHIPS, chip_name, describe
from ground.decode.readings.instruments import groups
from ground.decode.table import Table, Words
from shared_protocol import records as declared_records
from shared_protocol.conversions import bmp280, ms5611

_BOSCH = (declared_records.CHIP_BMP280, declared_records.CHIP_BME280)
_BOSCH_WORD_MAX = 0xFFFFF


def pressure(records):
    """Barometer readings of all chips: `(Table, flag bits)`."""
    kind = KIND_OF_NAME["pressure"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    cals = calibrations.of_pressure(records)
    d1, d2 = rows["d1"].astype(np.int64), rows["d2"].astype(np.int64)
    t_ms = rows["_t_ms"].astype(np.int64)
    hpa, celsius = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    bits = rows["flags"].astype(np.int64)
    sensors = _Sensors(len(rows))
    for key, sensor, all_of_it in groups(keys, rows["sensor"]):
        for cal, piece in cals.pieces(key, sensor, t_ms[all_of_it]):
            mine = all_of_it[piece]
            if len(mine) == len(rows):
                mine = slice(None)  # one barometer, as in most flights: nothing is picked out row by row
            chip = sensors.take(mine, sensor, cal)
            if chip is None:
                bits[mine] |= flag_bits.NO_CALIBRATION
                continue
            hpa[mine], celsius[mine], bits[mine] = _converted(cal, d1[mine], d2[mine], bits[mine])
            outside = chip.outside("pressure_hpa", hpa[mine]) | chip.outside("temperature_c", celsius[mine])
            bits[mine] |= np.where(outside, flag_bits.OUT_OF_RANGE, 0)
    columns = {
        "sensor": sensors.column(),
        "pressure_hpa": hpa,
        "temperature_c": celsius,
        "d1": d1,
        "d2": d2,
        "flags": flag_bits.words_of(bits),
    }
    about = {
        "sensor": {"meaning": "which barometer, by its chip"},
        "pressure_hpa": {"unit": "hPa"} | describe("pressure_hpa", "hPa", sensors.chips),
        "temperature_c": {"unit": "degC", "meaning": "of the barometer itself, inside the box"}
        | describe("temperature_c", "degC", sensors.chips),
        "d1": {"meaning": "raw pressure word"},
        "d2": {"meaning": "raw temperature word"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("pressure", columns, about), bits


def humidity(records):
    """Humidity readings of BME280s: `(Table, flag bits)`. The data sheet clamps to 0 and 100 %; here that is a flag."""
    kind = KIND_OF_NAME["humidity"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    heat, wet = calibrations.of_pressure(records), calibrations.of_humidity(records)
    raw, d2, t_ms = (rows[name].astype(np.int64) for name in ("humidity", "d2", "_t_ms"))
    percent = np.full(len(rows), np.nan)
    bits = rows["flags"].astype(np.int64)
    sensors = _Sensors(len(rows))
    for key, sensor, all_of_it in groups(keys, rows["sensor"]):
        for cal, piece in heat.pieces(key, sensor, t_ms[all_of_it]):
            mine = all_of_it[piece]
            sensors.take(mine, sensor, cal)
            for own, part in wet.pieces(key, sensor, t_ms[mine]):
                some = mine[part]
                if cal is None or own is None or cal.chip not in _BOSCH:
                    bits[some] |= flag_bits.NO_CALIBRATION
                    continue
                (q10,) = by_blocks(_humidity(cal.words, own.words), raw[some], d2[some])
                value = q10 / bmp280.HUMIDITY_COUNTS_PER_PERCENT
                void = (raw[some] == bmp280.HUMIDITY_NEVER_CONVERTED) | (d2[some] == bmp280.NEVER_CONVERTED)
                bits[some[void]] |= declared_records.FLAG_NEVER_CONVERTED
                percent[some] = np.where(void, np.nan, value)
    bits[(percent < 0.0) | (percent > 100.0)] |= flag_bits.OUT_OF_RANGE
    columns = {
        "sensor": sensors.column(),
        "humidity_pct": percent,
        "humidity_raw": raw,
        "d2": d2,
        "flags": flag_bits.words_of(bits),
    }
    about = {
        "sensor": {"meaning": "which barometer, by its chip"},
        "humidity_pct": {"unit": "%", "meaning": "relative humidity in the box, over water"}
        | describe("humidity_pct", "%", sensors.chips),
        "humidity_raw": {"meaning": "raw humidity word"},
        "d2": {"meaning": "raw temperature word of the same measurement"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("humidity", columns, about), bits


def _humidity(heat_words, wet_words):
    return lambda raw, d2: (bmp280.humidity_q10(raw, bmp280.fine_temperature(d2, heat_words), wet_words),)


class _Sensors:
    """Names of the sensors of readings, by chip, and what chips they are."""

    def __init__(self, count):
        self._vocabulary = {}
        self._codes = np.zeros(count, dtype=np.int32)
        self.chips = {}

    def take(self, rows, sensor, cal):
        """Name the rows; gives the chip, or None where the calibration is missing or of a chip nobody knows."""
        chip = CHIPS.get(cal.chip) if cal is not None else None
        word = chip_name(cal.chip) if cal is not None else "sensor"
        name = word if sensor == 0 and cal is not None else f"{word}_{sensor}"
        self._codes[rows] = self._vocabulary.setdefault(name, len(self._vocabulary))
        if chip is None or "pressure_hpa" not in chip.rated:
            return None
        self.chips[name] = chip
        return chip

    def column(self):
        return Words(self._codes, list(self._vocabulary))


def _converted(cal, d1, d2, bits):
    """Pressure [hPa], temperature [degC] and flags; null where the words are no measurement."""
    bits = bits.copy()
    if cal.chip in _BOSCH:
        centi_c, pressure = by_blocks(lambda p, t: bmp280.compensate(p, t, cal.words), d1, d2)
        hpa = pressure / (bmp280.PRESSURE_COUNTS_PER_PA * 100.0)
        void = (d1 == bmp280.NEVER_CONVERTED) | (d2 == bmp280.NEVER_CONVERTED)
        alien = (d1 > _BOSCH_WORD_MAX) | (d2 > _BOSCH_WORD_MAX)  # another chip's words; its calibration was lost
        bits[alien] |= flag_bits.NO_CALIBRATION
    else:
        centi_c, pascal = by_blocks(lambda p, t: ms5611.compensate(p, t, cal.words), d1, d2)
        hpa = pascal / 100.0
        void = (d1 == 0) | (d2 == 0)  # data sheet: the ADC reads 0 when no conversion was done
        alien = np.zeros(len(d1), dtype=bool)
    bits[void] |= declared_records.FLAG_NEVER_CONVERTED
    nothing = void | alien
    return np.where(nothing, np.nan, hpa), np.where(nothing, np.nan, centi_c / 100.0), bits

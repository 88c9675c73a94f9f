"""Tables of the sensors: raw words and flags into physics, with what the chips are rated for.

Ratings: MS5611 TE data sheet MS5611-01BA03 (10 to 1200 mbar, -40 to 85 degC); DS18B20 Maxim data sheet (-55 to
125 degC); INA219 TI SBOS448 (26 V on the pins, whatever the 32 V scale suggests).
"""

import numpy as np

from ground.decode import flags as flag_bits
from ground.decode.instruments import Declared, groups, name_column
from ground.decode.table import Table, Words, float_or_nan
from ground.decode.wire import KIND_OF_NAME
from shared_protocol import records as declared_records
from shared_protocol.conversions import ds18b20, ina219, ms5611

PRESSURE_RATED_HPA = (10.0, 1200.0)
PRESSURE_RATED_C = (-40.0, 85.0)
PROBE_RATED_C = (-55.0, 125.0)
BUS_RATED_V = (-0.3, 26.0)
_CHIPS = {
    declared_records.CHIP_MS5611: "ms5611",
    declared_records.CHIP_DS18B20: "ds18b20",
    declared_records.CHIP_INA219: "ina219",
}
_PROM = [f"c{n}" for n in range(8)]
_INA219_FULL_SCALE = 4000  # counts of 10 uV at gain 1; bits 12..11 of the configuration double it up to 8 times


def chip_name(number):
    """A chip's name; `chip9` for one this decoder does not know."""
    return _CHIPS.get(int(number), f"chip{int(number)}")


def prom_holds(row):
    """Whether a calibration record passes the chip's own CRC-4; an all-zero PROM, which would, does not."""
    words = [int(row[name]) for name in _PROM]
    return any(words) and ms5611.prom_crc4(words) == words[7] & 0xF


def _outside(values, rated):
    return (values < rated[0]) | (values > rated[1])  # NaN is not outside


def pressure(records):
    """Barometer readings, compensated with the PROM words of the same boot, else of the same log."""
    kind = KIND_OF_NAME["pressure"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    proms = Declared(records, "pressure_cal", "sensor", usable=prom_holds)
    d1, d2 = rows["d1"].astype(np.int64), rows["d2"].astype(np.int64)
    hpa, celsius = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    bits = rows["flags"].astype(np.int64)
    vocabulary, codes = {}, np.zeros(len(rows), dtype=np.int32)
    for key, sensor, mine in groups(keys, rows["sensor"]):
        prom = proms.find(key, sensor)
        chip = chip_name(prom["chip"]) if prom is not None else "sensor"
        name = chip if sensor == 0 and prom is not None else f"{chip}_{sensor}"
        codes[mine] = vocabulary.setdefault(name, len(vocabulary))
        if prom is None:
            bits[mine] |= flag_bits.NO_CALIBRATION
            continue
        centi_c, pascal = ms5611.compensate(d1[mine], d2[mine], [int(prom[name]) for name in _PROM])
        hpa[mine], celsius[mine] = pascal / 100.0, centi_c / 100.0
    empty = (d1 == 0) | (d2 == 0)  # data sheet: the ADC reads 0 when no conversion was done
    hpa[empty], celsius[empty] = np.nan, np.nan
    bits[empty] |= declared_records.FLAG_NEVER_CONVERTED
    bits[_outside(hpa, PRESSURE_RATED_HPA) | _outside(celsius, PRESSURE_RATED_C)] |= flag_bits.OUT_OF_RANGE
    columns = {
        "sensor": Words(codes, list(vocabulary)),
        "pressure_hpa": hpa,
        "temperature_c": celsius,
        "d1": rows["d1"].astype(np.int64),
        "d2": rows["d2"].astype(np.int64),
        "flags": flag_bits.words_of(bits),
    }
    about = {
        "sensor": {"meaning": "which barometer"},
        "pressure_hpa": {
            "unit": "hPa",
            "rated": "10 to 1200 hPa (MS5611 data sheet)",
            "accuracy": "2.5 hPa from 450 to 1100 hPa and -20 to 85 degC (MS5611 data sheet); not stated beyond",
        },
        "temperature_c": {
            "unit": "degC",
            "rated": "-40 to 85 degC",
            "meaning": "of the barometer itself, inside the box",
        },
        "d1": {"meaning": "raw pressure word, 24 bits"},
        "d2": {"meaning": "raw temperature word, 24 bits"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("pressure", columns, about), bits


def temperature(records):
    """Thermometer readings by the names of the probes."""
    kind = KIND_OF_NAME["temperature"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    probes = Declared(records, "probe", "probe")
    codes, vocabulary, _names = name_column(keys, rows["probe"], probes, "probe")
    raw = rows["raw"].astype(np.int64)
    celsius = ds18b20.temperature_c(raw)
    bits = rows["flags"].astype(np.int64)
    bits[_outside(celsius, PROBE_RATED_C)] |= flag_bits.OUT_OF_RANGE
    columns = {
        "probe": Words(codes, vocabulary),
        "temperature_c": celsius,
        "raw": raw,
        "flags": flag_bits.words_of(bits),
    }
    about = {
        "probe": {"meaning": "which thermometer, by its name in the settings"},
        "temperature_c": {
            "unit": "degC",
            "rated": "-55 to 125 degC (DS18B20 data sheet)",
            "accuracy": "0.5 degC from -10 to 85 degC, 2 degC beyond (DS18B20 data sheet)",
        },
        "raw": {"meaning": "scratchpad word, 1/16 degC"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("temperature", columns, about), bits


def power(records):
    """Power meter readings: voltages from the registers, current through the shunt that the settings name."""
    kind = KIND_OF_NAME["power"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    channels = Declared(records, "channel", "channel")
    codes, vocabulary, _names = name_column(keys, rows["channel"], channels, "channel")
    bus_raw, shunt_raw = rows["bus"].astype(np.int64), rows["shunt"].astype(np.int64)
    bits = rows["flags"].astype(np.int64)
    bus_v, shunt_v = ina219.bus_v(bus_raw), ina219.shunt_v(shunt_raw)
    current_ma = np.full(len(rows), np.nan)
    for key, number, mine in groups(keys, rows["channel"]):
        row = channels.find(key, number)
        if row is None or row["shunt"] == 0:
            bits[mine] |= flag_bits.NO_CALIBRATION
            continue
        current_ma[mine] = ina219.current_ma(shunt_raw[mine], int(row["shunt"]) / 1e6)
        full_scale = _INA219_FULL_SCALE << (int(row["config"]) >> 11 & 3)
        bits[mine[np.abs(shunt_raw[mine]) >= full_scale]] |= declared_records.FLAG_LIMIT
    bits[bus_raw & ina219.BUS_OVERFLOW != 0] |= declared_records.FLAG_LIMIT
    bits[_outside(bus_v, BUS_RATED_V)] |= flag_bits.OUT_OF_RANGE
    columns = {
        "channel": Words(codes, vocabulary),
        "bus_v": bus_v,
        "shunt_v": shunt_v,
        "current_ma": current_ma,
        "power_mw": bus_v * current_ma,
        "bus_raw": bus_raw,
        "shunt_raw": shunt_raw,
        "flags": flag_bits.words_of(bits),
    }
    about = {
        "channel": {"meaning": "which supply, by its name in the settings"},
        "bus_v": {"unit": "V", "rated": "0 to 26 V (INA219 data sheet)", "meaning": "at the load side of the shunt"},
        "shunt_v": {"unit": "V", "meaning": "across the shunt, positive towards the load"},
        "current_ma": {"unit": "mA", "meaning": "shunt_v over the shunt of the settings"},
        "power_mw": {"unit": "mW", "meaning": "bus_v x current_ma"},
        "bus_raw": {"meaning": "raw bus-voltage register"},
        "shunt_raw": {"meaning": "raw shunt-voltage register"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("power", columns, about), bits


def health(records):
    """The board about itself."""
    rows = records.rows[KIND_OF_NAME["health"]]
    full_scale_v = float_or_nan(rows["battery_full_scale"].astype(np.int64), 1000)
    battery_v = rows["battery_raw"] / 65535.0 * full_scale_v
    battery_v[rows["battery_full_scale"] == 0] = np.nan  # no divider in the settings, no voltage
    columns = {"battery_v": battery_v}
    for name, field in (
        ("loop_max_ms", "loop_max"),
        ("card_write_max_ms", "card_write_max"),
        ("card_errors", "card_errors"),
        ("bus_errors", "bus_errors"),
        ("gnss_bad", "gnss_bad"),
        ("heap_free_bytes", "heap_free"),
        ("sectors", "sectors"),
        ("battery_raw", "battery_raw"),
    ):
        columns[name] = rows[field].astype(np.int64)
    about = {
        "battery_v": {"unit": "V", "meaning": "at the board's ADC, through the divider of the settings"},
        "loop_max_ms": {"unit": "ms", "meaning": "longest turn of the loop since the last row"},
        "card_write_max_ms": {"unit": "ms", "meaning": "longest card write since the last row"},
        "card_errors": {"meaning": "failed card writes since power-up"},
        "bus_errors": {"meaning": "failed chip readings since power-up"},
        "gnss_bad": {"meaning": "receiver messages with a wrong checksum since power-up"},
        "heap_free_bytes": {"unit": "byte"},
        "sectors": {"meaning": "written since power-up"},
        "battery_raw": {"meaning": "ADC reading, 0 to 65535"},
    }
    return Table("health", columns, about)

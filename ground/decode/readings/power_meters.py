"""Table `power`: voltages from the registers of an INA219 or INA226, current through the shunt of the settings."""

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.readings import flags as flag_bits
from ground.decode.readings.chips import CHIPS, describe
from ground.decode.readings.instruments import Declared, groups, name_column
from ground.decode.table import Table, Words
from shared_protocol import records as declared_records
from shared_protocol.conversions import ina219, ina226

_INA219_FULL_SCALE = 4000  # counts of 10 uV at gain 1; bits 12..11 of the configuration double it up to 8 times
_CONVERSIONS = {declared_records.CHIP_INA219: ina219, declared_records.CHIP_INA226: ina226}


def power(records):
    """Power meter readings of all chips: `(Table, flag bits)`.

    A channel that the log does not declare is taken for an INA219's, the only chip of the first logs, and its current
    is null; one with a chip that this decoder does not know is null altogether. Both are flagged.
    """
    kind = KIND_OF_NAME["power"]
    rows, keys = records.rows[kind], records.row_keys[kind]
    channels = Declared(records, "channel", "channel")
    codes, vocabulary, names = name_column(keys, rows["channel"], channels, "channel")
    bus_raw, shunt_raw = rows["bus"].astype(np.int64), rows["shunt"].astype(np.int64)
    bits = rows["flags"].astype(np.int64)
    bus_v, shunt_v, current_ma = (np.full(len(rows), np.nan) for _ in range(3))
    chips = {}
    for key, number, mine in groups(keys, rows["channel"]):
        row = channels.find(key, number)
        chip_number = int(row["chip"]) if row is not None else declared_records.CHIP_INA219
        conversion = _CONVERSIONS.get(chip_number)
        if conversion is None:
            bits[mine] |= flag_bits.NO_CALIBRATION
            continue
        chip = chips[names[key, number]] = CHIPS[chip_number]
        bus_v[mine], shunt_v[mine] = conversion.bus_v(bus_raw[mine]), conversion.shunt_v(shunt_raw[mine])
        if row is None or row["shunt"] == 0:
            bits[mine] |= flag_bits.NO_CALIBRATION
        else:
            current_ma[mine] = conversion.current_ma(shunt_raw[mine], int(row["shunt"]) / 1e6)
        at_limit = _at_limit(chip_number, row, bus_raw[mine], shunt_raw[mine])
        bits[mine[at_limit]] |= declared_records.FLAG_LIMIT
        bits[mine[chip.outside("bus_v", bus_v[mine])]] |= flag_bits.OUT_OF_RANGE
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
        "bus_v": {"unit": "V", "meaning": "at the load side of the shunt"} | describe("bus_v", "V", chips),
        "shunt_v": {"unit": "V", "meaning": "across the shunt, positive towards the load"}
        | describe("shunt_v", "V", chips),
        "current_ma": {"unit": "mA", "meaning": "shunt_v over the shunt of the settings"},
        "power_mw": {"unit": "mW", "meaning": "bus_v x current_ma"},
        "bus_raw": {"meaning": "raw bus-voltage register"},
        "shunt_raw": {"meaning": "raw shunt-voltage register"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("power", columns, about), bits


def _at_limit(chip_number, row, bus_raw, shunt_raw):
    """Where the shunt register stands at its full scale, or an INA219 says that its sums overflowed."""
    if chip_number == declared_records.CHIP_INA226:
        return (shunt_raw >= ina226.SHUNT_RAW_MAX) | (shunt_raw <= -ina226.SHUNT_RAW_MAX - 1)
    limit = bus_raw & ina219.BUS_OVERFLOW != 0
    if row is not None and row["shunt"]:
        limit |= np.abs(shunt_raw) >= _INA219_FULL_SCALE << (int(row["config"]) >> 11 & 3)
    return limit

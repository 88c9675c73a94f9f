"""Table `temperature`: DS18B20 and TMP117 readings by the names of the probes."""

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.readings import flags as flag_bits
from ground.decode.readings.chips import CHIPS, describe
from ground.decode.readings.instruments import Declared, name_column
from ground.decode.table import Table, Words
from shared_protocol import records as declared_records
from shared_protocol.conversions import ds18b20, tmp117

# record of readings, record that names the probes, chip, conversion, the word that is no reading (None: there is none)
_SORTS = (
    ("temperature", "probe", declared_records.CHIP_DS18B20, ds18b20.temperature_c, None),
    ("fine_temperature", "i2c_probe", declared_records.CHIP_TMP117, tmp117.temperature_c, tmp117.NEVER_CONVERTED),
)


def temperature(records):
    """Thermometer readings of both sorts: `(Table, flag bits, keys, t_ms, seq)`, each sort in the order of the log."""
    names, raws, values, bits, keys, t_ms, seq, chips = [], [], [], [], [], [], [], {}
    vocabulary = {}
    for record, probe_record, number, convert, void_word in _SORTS:
        kind = KIND_OF_NAME[record]
        rows, own_keys = records.rows[kind], records.row_keys[kind]
        chip = CHIPS[number]
        codes, own_names, _ = name_column(own_keys, rows["probe"], Declared(records, probe_record, "probe"), "probe")
        for name in own_names:
            chips[name if name not in chips else f"{name} ({chip.name})"] = chip
        places = np.array([vocabulary.setdefault(name, len(vocabulary)) for name in own_names], dtype=np.int32)
        raw = rows["raw"].astype(np.int64)
        celsius, own_bits = convert(raw), rows["flags"].astype(np.int64)
        if void_word is not None:
            void = raw == void_word
            celsius[void] = np.nan
            own_bits[void] |= declared_records.FLAG_NEVER_CONVERTED
        own_bits[chip.outside("temperature_c", celsius)] |= flag_bits.OUT_OF_RANGE
        names.append(places[codes] if len(places) else codes)
        raws.append(raw)
        values.append(celsius)
        bits.append(own_bits)
        keys.append(own_keys)
        t_ms.append(rows["_t_ms"].astype(np.int64))
        seq.append(rows["_seq"].astype(np.int64))
    all_bits = np.concatenate(bits)
    columns = {
        "probe": Words(np.concatenate(names), list(vocabulary)),
        "temperature_c": np.concatenate(values),
        "raw": np.concatenate(raws),
        "flags": flag_bits.words_of(all_bits),
    }
    about = {
        "probe": {"meaning": "which thermometer, by its name in the settings"},
        "temperature_c": {"unit": "degC"} | describe("temperature_c", "degC", chips),
        "raw": {"meaning": "the chip's word: DS18B20 1/16 degC, TMP117 1/128 degC"},
        "flags": {"meaning": flag_bits.MEANING},
    }
    return Table("temperature", columns, about), all_bits, *(np.concatenate(one) for one in (keys, t_ms, seq))

"""Tables of what the board said in words or about itself: events, notes, boots, probes, channels, calibrations."""

import numpy as np

from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.readings.calibrations import prom_words
from ground.decode.readings.chips import chip_name
from ground.decode.readings.instruments import hex_of, text_of
from ground.decode.table import Table, words
from shared_protocol.event_text import EVENTS, SOURCES, say

_EVENT_TEXT = {code: (name, sentence) for code, name, sentence in EVENTS}
_LOST_PIECE = "[...]"


def _rows(records, name):
    return records.rows[KIND_OF_NAME[name]]


def _source(number):
    return SOURCES[number] if number < len(SOURCES) else f"source{number}"


def event(records):
    """Events with their sentences; a code from a newer firmware keeps its number and details."""
    rows = _rows(records, "event")
    names, texts = [], []
    for code, a, b in zip(rows["code"].tolist(), rows["a"].tolist(), rows["b"].tolist(), strict=True):
        name, sentence = _EVENT_TEXT.get(code, (None, f"event {code} ({{a}}, {{b}})"))
        names.append(name)
        texts.append(say(sentence, a, b))
    columns = {
        "code": rows["code"].astype(np.int64),
        "name": words(names),
        "source": words([_source(number) for number in rows["source"].tolist()]),
        "unit": rows["unit"].astype(np.int64),
        "a": rows["a"].astype(np.int64),
        "b": rows["b"].astype(np.int64),
        "text": words(texts),
    }
    return Table(
        "event",
        columns,
        {"code": {"meaning": "see shared_protocol/events.py"}, "unit": {"meaning": "which one of several parts"}},
    )


def note(records):
    """Notes with their pieces joined, one row for each: `(table, row of the first piece)`."""
    kind = KIND_OF_NAME["note"]
    rows, keys = records.rows[kind], records.row_keys[kind].tolist()
    texts, firsts, sources, open_notes = [], [], [], {}
    for n, row in enumerate(rows):
        source, part, piece = int(row["source"]), int(row["part"]), text_of(row["text"])
        place = (keys[n], source)
        if part == 0 or place not in open_notes or part <= open_notes[place][1]:
            texts.append(piece if part == 0 else _LOST_PIECE + piece)
            firsts.append(n)
            sources.append(_source(source))
            open_notes[place] = [len(texts) - 1, part]
            continue
        note_number, last = open_notes[place]
        texts[note_number] += piece if part == last + 1 else _LOST_PIECE + piece
        open_notes[place][1] = part
    return Table("note", {"source": words(sources), "text": words(texts)}), np.array(firsts, dtype=np.int64)


def boot(records):
    """Power-ups: firmware, cause and settings."""
    kind = KIND_OF_NAME["boot"]
    rows = records.rows[kind]
    flag_words = [
        "|".join(name for bit, name in ((1, "resumed_log"), (2, "default_settings")) if flags & bit)
        for flags in rows["flags"].tolist()
    ]
    columns = {
        "log_id": np.array([records.keys.pairs[key][0] for key in records.row_keys[kind].tolist()], dtype=np.int64),
        "firmware": words([f"{version >> 8}.{version & 255}" for version in rows["firmware"].tolist()]),
        "cause": rows["cause"].astype(np.int64),
        "settings_crc": words([f"{value:08x}" for value in rows["settings_crc"].tolist()]),
        "first_sector": rows["first_sector"].astype(np.int64),
        "board_id": words([hex_of(row["board_id"]) for row in rows]),
        "flags": words(flag_words),
    }
    return Table(
        "boot",
        columns,
        {
            "cause": {"meaning": "1 power, 2 watchdog, 3 the board's own reset, 0 unknown"},
            "log_id": {"meaning": "random number of the log"},
        },
    )


def probe(records):
    """Thermometers and their 1-wire codes, as each boot declared them."""
    rows = _rows(records, "probe")
    columns = {
        "probe": words([text_of(row["name"]) or f"probe{row['probe']}" for row in rows]),
        "number": rows["probe"].astype(np.int64),
        "chip": words([chip_name(row["chip"]) for row in rows]),
        "rom": words([hex_of(row["rom"]) for row in rows]),
    }
    return Table("probe", columns, {"rom": {"meaning": "1-wire ROM code, family first, hexadecimal"}})


def channel(records):
    """Power meters, their configuration and shunts, as each boot declared them."""
    rows = _rows(records, "channel")
    columns = {
        "channel": words([text_of(row["name"]) or f"channel{row['channel']}" for row in rows]),
        "number": rows["channel"].astype(np.int64),
        "chip": words([chip_name(row["chip"]) for row in rows]),
        "config": rows["config"].astype(np.int64),
        "shunt_ohm": rows["shunt"] / 1e6,
    }
    return Table(
        "channel",
        columns,
        {
            "shunt_ohm": {"unit": "ohm", "meaning": "from the settings"},
            "config": {"meaning": "configuration register as read back"},
        },
    )


def pressure_cal(records):
    """Calibration words of the barometers, and whether they pass the chip's own CRC."""
    rows = _rows(records, "pressure_cal")
    columns = {"sensor": rows["sensor"].astype(np.int64), "chip": words([chip_name(row["chip"]) for row in rows])}
    for n in range(8):
        columns[f"c{n}"] = rows[f"c{n}"].astype(np.int64)
    columns["crc_ok"] = np.array([prom_words(row) is not None for row in rows], dtype=bool)
    return Table(
        "pressure_cal", columns, {"crc_ok": {"meaning": "CRC-4 of the words holds; a set that fails is not used"}}
    )


def bmp280_cal(records):
    """Calibration words of BMP280 and BME280 barometers; the chips keep no check sum."""
    return _words_table(records, "bmp280_cal")


def humidity_cal(records):
    """Calibration words of the humidity sensors in BME280 barometers."""
    return _words_table(records, "humidity_cal")


def _words_table(records, name):
    rows = _rows(records, name)
    columns = {"sensor": rows["sensor"].astype(np.int64), "chip": words([chip_name(row["chip"]) for row in rows])}
    for field in rows.dtype.names:
        if not field.startswith("_") and field not in columns:
            columns[field] = rows[field].astype(np.int64)
    return Table(name, columns)


def i2c_probe(records):
    """Thermometers on the I2C bus, as each boot declared them."""
    rows = _rows(records, "i2c_probe")
    columns = {
        "probe": words([text_of(row["name"]) or f"probe{row['probe']}" for row in rows]),
        "number": rows["probe"].astype(np.int64),
        "chip": words([chip_name(row["chip"]) for row in rows]),
        "address": rows["address"].astype(np.int64),
        "serial": words([hex_of(row["serial"]) for row in rows]),
    }
    return Table("i2c_probe", columns, {"serial": {"meaning": "from the chip's own memory, hexadecimal"}})

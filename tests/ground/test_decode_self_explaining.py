"""The log explains itself: a reader made of nothing but the text in a log's first sectors gets the same values out.

The reader below imports nothing of the project and knows no number of the format beforehand; the sentences it follows
are those of the text ("Sector: 512 bytes. First a header frame (30 bytes) ...").
"""

import re
import struct
from zlib import crc32

import numpy as np
import pyarrow.parquet as pq

from ground.decode import decode
from tests.ground.log_maker import CONTACT, LogMaker, flight_profile, log_flight


def read_by_its_own_text(data):
    """Records of a log as `{name: [(boot, t_ms, {field: value})]}`, following the text in it."""
    text = ""
    for at in range(0, len(data), 512):
        page = data[at + 30 : at + 508]
        text += page.decode("ascii", "replace").rstrip() + "\n"
        if "end of text" in text:
            break
    sync = int(re.search(r"sync H = ([0-9A-F]{4}) hex", text).group(1), 16)
    header_size = int(re.search(r"header frame \((\d+) bytes\)", text).group(1))
    records, fields = {}, None
    for line in text.splitlines():
        if match := re.fullmatch(r"record (\d+) (\w+) length (\d+)", line):
            fields = []
            records[int(match[1])] = (match[2], int(match[3]), fields)
        elif match := re.fullmatch(r"field (\w+) (\w+)(?: divisor (\d+))?(?: unit (\S+))?(?: unknown (-?\d+))?", line):
            fields.append((match[1], match[2], int(match[3] or 1), None if match[5] is None else int(match[5])))
    out = {}
    for sector in range(0, len(data) - 511, 512):
        words = struct.unpack_from("<HBBHI", data, sector)
        if (
            words[0] != sync
            or words[1] != 0
            or crc32(data[sector : sector + header_size - 4]) != u32(data, sector + header_size - 4)
        ):
            continue
        log_id, boot, _number, _format, kind, _flags = struct.unpack_from("<IIIBBH", data, sector + 10)
        if kind == 1:
            continue
        start_value = crc32(struct.pack("<II", log_id, boot))
        at = sector + header_size
        while at + 14 <= sector + 512:
            word, record_type, length, _seq, t_ms = struct.unpack_from("<HBBHI", data, at)
            end = at + 10 + length
            if word != sync or end + 4 > sector + 512 or crc32(data[at:end], start_value) != u32(data, end):
                at += 1
                continue
            name, _length, layout = records[record_type]
            raw = struct.unpack("<" + "".join(code for _f, code, _d, _u in layout), data[at + 10 : end])
            values = {}
            for (field, code, divisor, unknown), value in zip(layout, raw, strict=True):
                values[field] = value if code.endswith("s") else None if value == unknown else value / divisor
            out.setdefault(name, []).append((boot, t_ms, values))
            at = end + 4
    return text, out


def u32(data, at):
    return struct.unpack_from("<I", data, at)[0]


def test_reader_built_from_the_logs_own_text_gets_the_same_values(tmp_path):
    profile = flight_profile(wait_s=20, top_m=700.0, rest_s=40)
    log = log_flight(LogMaker(), profile, boots=((3, 0, 60), (4, 70, None)))
    data = log.data()
    (tmp_path / "TD000001.LOG").write_bytes(data)
    decode(tmp_path / "TD000001.LOG", tmp_path / "flight")
    text, own = read_by_its_own_text(data)
    assert CONTACT in text

    def table(name):
        return pq.read_table(tmp_path / "flight" / "tables" / f"{name}.parquet").to_pydict()

    fix = table("fix")
    assert len(fix["boot"]) == len(own["fix"]) > 100
    for n, (boot, t_ms, values) in enumerate(own["fix"]):
        assert (fix["boot"][n], fix["t_ms"][n]) == (boot, t_ms)
        for column, field in (
            ("latitude_deg", "latitude"),
            ("longitude_deg", "longitude"),
            ("altitude_m", "altitude"),
            ("ellipsoid_height_m", "ellipsoid_height"),
            ("speed_mps", "speed"),
            ("course_deg", "course"),
            ("climb_mps", "climb"),
            ("hdop", "hdop"),
            ("accuracy_m", "accuracy"),
            ("satellites", "satellites"),
        ):
            assert fix[column][n] == values[field], column
    temperature = table("temperature")
    assert np.allclose(temperature["temperature_c"], [values["raw"] for _b, _t, values in own["temperature"]])
    names = {values["probe"]: values["name"].rstrip(b"\0").decode() for _b, _t, values in own["probe"]}
    assert temperature["probe"] == [names[values["probe"]] for _b, _t, values in own["temperature"]]
    pressure, power = table("pressure"), table("power")
    assert pressure["d1"] == [values["d1"] for _b, _t, values in own["pressure"]]
    assert pressure["d2"] == [values["d2"] for _b, _t, values in own["pressure"]]
    assert power["shunt_raw"] == [values["shunt"] for _b, _t, values in own["power"]]
    event = table("event")
    assert event["code"] == [values["code"] for _b, _t, values in own["event"]]
    sentences = dict(re.findall(r"^event (\d+) (.*)$", text, re.MULTILINE))
    assert event["text"] == [
        sentences[str(int(v["code"]))].format(a=int(v["a"]), b=int(v["b"])) for _b, _t, v in own["event"]
    ]

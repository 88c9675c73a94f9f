"""Decoding a log beside a reader built on the `construct` library, checksum included, on the same bytes.

    python -m tests.bench.construct_speed [--mib 64] [--share 64] [--rounds 5]

The `construct` reader is what a careful person writes in an evening: the records as declared in shared_protocol, the
CRC by zlib, one parse for each frame. It reads 1/`share` of the log, ours all of it and the same part; all take turns
in one process and times are given per frame (medians). Both readers' values are compared first. Goal: ours at least 300
times as fast.
"""

import argparse
import io
import zlib

import construct
import numpy as np

from ground.decode.frames.records import read
from ground.decode.frames.wire import KIND_NAMES
from shared_protocol.crc import frame_salt
from shared_protocol.frame import FILL, SECTOR_SIZE
from shared_protocol.records import HEADER, RECORDS
from tests.bench.decode_speed import BOOT, LOG_ID, make_log, seconds

_CODES = {"B": construct.Int8ul, "b": construct.Int8sl, "H": construct.Int16ul, "h": construct.Int16sl,
          "I": construct.Int32ul, "i": construct.Int32sl}  # fmt: skip


def _field(code):
    return construct.Bytes(int(code[:-1])) if code.endswith("s") else _CODES[code]


def frame_reader(salt):
    """One frame as the library sees it: prefix, the record that its type names, CRC from `salt` on."""
    payloads = {
        record_type: construct.Struct(*(field[0] / _field(field[1]) for field in fields))
        for record_type, _name, fields in RECORDS
    }
    body = construct.Struct(
        "sync" / construct.Const(b"\xa5\x5a"),
        "type" / construct.Int8ul,
        "length" / construct.Int8ul,
        "seq" / construct.Int16ul,
        "t_ms" / construct.Int32ul,
        "payload" / construct.FixedSized(construct.this.length, construct.Switch(construct.this.type, payloads)),
    )
    return construct.Struct(
        "body" / construct.RawCopy(body),
        "crc" / construct.Checksum(construct.Int32ul, lambda data: zlib.crc32(data, salt), construct.this.body.data),
    )


def read_with_construct(data):
    """All data frames of a clean log of one boot as the library's containers."""
    header, frame = frame_reader(0), frame_reader(frame_salt(LOG_ID, BOOT))
    frames = []
    for begin in range(0, len(data), SECTOR_SIZE):
        stream = io.BytesIO(data[begin : begin + SECTOR_SIZE])
        assert header.parse_stream(stream).body.value.type == HEADER
        while stream.tell() < SECTOR_SIZE and stream.getbuffer()[stream.tell()] != FILL:
            frames.append(frame.parse_stream(stream).body.value)
    return frames


def same(frames, records):
    """Whether both readers give the same records with the same values."""
    by_name = {name: [] for name in KIND_NAMES}
    names = {record_type: name for record_type, name, _fields in RECORDS}
    for frame in frames:
        by_name[names[frame.type]].append(frame)
    for name, rows in zip(KIND_NAMES, records.rows, strict=True):
        mine = by_name[name]
        if len(mine) != len(rows):
            return False
        for field in [column for column in rows.dtype.names if not column.startswith("_")]:
            values = [frame.payload[field] for frame in mine]
            if rows.dtype[field].kind == "S":
                values = [value.rstrip(b"\0") for value in values]
            if rows[field].tolist() != values:
                return False
    return True


def main():
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--mib", type=int, default=64)
    options.add_argument("--share", type=int, default=64)
    options.add_argument("--rounds", type=int, default=5)
    chosen = options.parse_args()
    data = np.frombuffer(make_log(chosen.mib), dtype=np.uint8)
    part = data[: len(data) // chosen.share // SECTOR_SIZE * SECTOR_SIZE]
    raw = part.tobytes()
    frames = read_with_construct(raw)
    assert same(frames, read([part])), "the two readers differ"
    counts = {
        "construct": len(frames),
        "decode": sum(len(rows) for rows in read([data]).rows),
        "same part": len(frames),
    }
    contestants = {
        "construct": lambda: read_with_construct(raw),
        "decode": lambda: read([data]),
        "same part": lambda: read([part]),
    }
    times = {name: [] for name in contestants}
    for _ in range(chosen.rounds):
        for name, action in contestants.items():
            times[name].append(seconds(action) / counts[name])
    print(
        f"log {chosen.mib} MiB, {counts['decode']} frames; construct {construct.__version__} reads {len(frames)}"
    )
    for name, values in times.items():
        print(f"{name:10} {np.median(values) * 1e9:10.0f} ns a frame")
    for name in ("decode", "same part"):
        ratio = np.median(np.array(times["construct"]) / np.array(times[name]))
        print(f"construct / {name}: {ratio:.0f} (goal for decode: at least 300)")


if __name__ == "__main__":
    main()

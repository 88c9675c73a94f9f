"""Intact frames may say anything: whatever their fields hold, a flight folder comes out and nothing raises."""

import json
import struct
import tempfile
from pathlib import Path

import pyarrow.parquet as pq
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ground.decode import decode
from shared_protocol.records import RECORDS, declaration, payload_format
from tests.ground.log_maker import LogMaker, fix_values, prom_with_crc

RECORD_TYPES = [entry[0] for entry in RECORDS if entry[0] != 0]
EXTREMES = {"B": (0, 1, 2, 3, 255), "b": (-128, 0, 18, 127), "H": (0, 1, 12, 2031, 65535), "h": (-32768, -1, 0, 32767),
            "I": (0, 1, 1000, 2**24 - 1, 2**32 - 1), "i": (-(2**31), -1, 0, 510000000, 2**31 - 1)}  # fmt: skip


def field_values(code):
    """Any raw value of a field, extremes often."""
    if code.endswith("s"):
        return st.binary(max_size=int(code[:-1]))
    low, high = {"B": (0, 255), "b": (-128, 127), "H": (0, 65535), "h": (-32768, 32767), "I": (0, 2**32 - 1),
                 "i": (-(2**31), 2**31 - 1)}[code]  # fmt: skip
    return st.one_of(st.sampled_from(EXTREMES[code]), st.integers(low, high))


record = st.sampled_from(RECORD_TYPES).flatmap(
    lambda kind: st.tuples(st.just(kind), *(field_values(field[1]) for field in declaration(kind)[2]))
)
time_step = st.one_of(st.integers(0, 2000), st.sampled_from([0, 10**5, 10**7]))
entry = st.tuples(time_step, record)
boots = st.lists(
    st.tuples(st.sampled_from([0, 1, 2, 3, 7, 2**32 - 1]), st.lists(entry, min_size=1, max_size=25)),
    min_size=1,
    max_size=4,
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(boots, st.booleans(), st.booleans(), st.sampled_from(["parquet", "csv"]))
def test_any_values_in_intact_frames_make_a_flight_folder(boots, with_fixes, with_prom, table_format):
    log = LogMaker(text=False)
    for number, entries in boots:
        log.boot(number)
        t_ms = 0
        if with_prom:
            log.add(3, 0, 0, 1, *prom_with_crc())
        for step, (kind, *values) in entries:
            t_ms = (t_ms + step) % 2**32
            log.add(kind, t_ms, *values)
            if with_fixes:
                log.add(8, t_ms, *fix_values(1_937_640_600_000 + t_ms, 51.0, 7.0, 300.0))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "TD000001.LOG"
        path.write_bytes(log.data())
        result = decode(path, Path(folder) / "out", format=table_format)
        account = json.loads((Path(folder) / "out" / "integrity.json").read_text())
        assert account["frames_ok"] + account["frames_duplicate"] == len(log.frames)
        assert account["frames_bad"] == account["sectors_bad"] == 0
        if table_format == "parquet":
            for name, rows in result.rows.items():
                place = Path(folder) / "out" / ("flight.parquet" if name == "flight" else f"tables/{name}.parquet")
                assert pq.read_table(place).num_rows == rows


def test_every_declared_record_can_be_drawn():
    for kind in RECORD_TYPES:
        assert struct.calcsize(payload_format(declaration(kind)[2])) > 0

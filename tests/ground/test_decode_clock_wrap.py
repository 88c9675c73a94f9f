"""A box that was left powered for 49.7 days: its clock begins again, and the flight's time goes on."""

import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from tests.ground import copy_maker
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

WRAP_MS = 1 << 32
PROFILE = flight_profile(top_m=1500.0)


class LateLog(LogMaker):
    """A log of a board that was switched on long before."""

    def __init__(self, since_ms, **options):
        super().__init__(**options)
        self.since_ms = since_ms

    def add(self, record_type, t_ms, *values):
        return super().add(record_type, t_ms + self.since_ms, *values)


def flown(since_ms, **options):
    return log_flight(LateLog(since_ms, **options), PROFILE, utc_ms=LAUNCH_UTC_MS)


def columns(folder, name):
    return pq.read_table(folder / "tables" / f"{name}.parquet").to_pydict()


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    """The same flight by a board that was switched on for it."""
    folder = tmp_path_factory.mktemp("fresh")
    (folder / "TD000001.LOG").write_bytes(flown(0).data())
    decode(folder / "TD000001.LOG", folder / "out")
    return folder / "out"


@pytest.mark.parametrize("before_wrap_s", [3, 300, 700])
def test_every_row_has_the_time_that_it_would_have_without_the_wrap(tmp_path, fresh, before_wrap_s):
    since_ms = WRAP_MS - 1000 * before_wrap_s
    (tmp_path / "TD000001.LOG").write_bytes(flown(since_ms).data())
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "out").integrity
    for name in ("fix", "pressure", "temperature", "power", "health", "event"):
        late, early = columns(tmp_path / "out", name), columns(fresh, name)
        assert late["utc"] == early["utc"]
        assert late["t_ms"] == [t_ms + since_ms for t_ms in early["t_ms"]]
    assert pq.read_table(tmp_path / "out" / "flight.parquet").equals(pq.read_table(fresh / "flight.parquet"))
    (boot,) = account["boots"]
    assert boot["first_ms"] == since_ms + 5 and boot["last_ms"] > WRAP_MS
    assert boot["first_utc"] < boot["last_utc"] and boot["frames_missing"] == 0
    assert [(one["has"], one["from_ms"], one["to_ms"]) for one in account["stretches"]] == [
        ("whole", boot["first_ms"], boot["last_ms"])
    ]


def test_hole_behind_the_wrap_is_told_with_its_time_of_day(tmp_path, fresh):
    log = flown(WRAP_MS - 300_000)
    last = len(log.sectors) - 1
    data = bytearray(log.data())
    data[(last - 200) * 512 : (last - 150) * 512] = bytes(50 * 512)
    (tmp_path / "TD000001.LOG").write_bytes(data)
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "out").integrity
    whole, hole, behind = account["stretches"]
    times = columns(fresh, "pressure")["utc"]
    assert (whole["has"], hole["has"], behind["has"]) == ("whole", "nothing", "whole")
    assert times[0][:16] <= whole["from_utc"][:16] < hole["from_utc"] < hole["to_utc"] < behind["to_utc"]
    assert behind["to_utc"][:16] == times[-1][:16]
    assert account["boots"][0]["longest_gap_at_utc"][:19] == hole["from_utc"][:19]


def test_card_and_second_copy_of_such_a_boot_are_put_together(tmp_path):
    log = flown(WRAP_MS - 300_000)
    last = len(log.sectors) - 1
    data = bytearray(log.data())
    data[(last - 200) * 512 : (last - 150) * 512] = bytes(50 * 512)
    (tmp_path / "TD000001.LOG").write_bytes(data)
    copy_maker.write_parts(tmp_path, copy_maker.sectors(log, copy_maker.thinned(log)))
    account = decode([tmp_path / "TD000001.LOG", tmp_path / "copy"], tmp_path / "out").integrity
    assert [one["has"] for one in account["stretches"]] == ["whole", "thinned", "whole"]
    came_from = columns(tmp_path / "out", "pressure")["recovered_from"]
    assert {"card", "flash"} == set(came_from) and came_from[0] == came_from[-1] == "card"


def test_log_that_goes_on_behind_the_wrap_lacks_nothing_of_its_boot(tmp_path):
    """The first log ran full and was followed by another in the same boot, as `continues` says."""
    from shared_protocol.records import CONTINUES, PRESSURE

    first, second = LogMaker(log_id=1), LogMaker(log_id=2)
    first.boot(1)
    for n in range(600):
        first.add(PRESSURE, WRAP_MS - 60_000 + n * 100, 0, 0, 9_000_000, 8_000_000)
    second.boot(1)
    second.seq = first.seq
    second.add(CONTINUES, WRAP_MS, 1)
    for n in range(600):
        second.add(PRESSURE, WRAP_MS + 100 + n * 100, 0, 0, 9_000_000, 8_000_000)
    (tmp_path / "TD000001.LOG").write_bytes(first.data())
    (tmp_path / "TD000002.LOG").write_bytes(second.data())
    account = decode(tmp_path, tmp_path / "out").integrity
    assert (account["frames_ok"], account["frames_missing"]) == (1201, 0)

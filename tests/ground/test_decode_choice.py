"""Which logs are the flight, and what the account says about the rest."""

import pytest

from ground.decode import decode
from ground.decode.choice import LogSummary, choose
from ground.errors import InputError
from shared_protocol.records import PRESSURE, TEMPERATURE
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

HOUR_MS = 3_600_000


def log(log_id, frames, first_h=None, file=None, boots=(1,)):
    first = None if first_h is None else LAUNCH_UTC_MS + first_h * HOUR_MS
    return LogSummary(log_id, file, list(boots), frames, first, None if first is None else first + HOUR_MS)


def chosen(logs, wanted=None):
    choose(logs, wanted)
    return {one.log_id for one in logs if one.chosen}


def test_newest_log_is_taken_by_file_number_then_time_then_boot_counter():
    assert chosen([log(1, 900, 50, "TD000004.LOG"), log(2, 800, 10, "TD000005.LOG")]) == {2}
    assert chosen([log(1, 900, 50), log(2, 800, 10)]) == {1}
    assert chosen([log(1, 900, boots=(3, 4)), log(2, 800, boots=(5,))]) == {2}
    assert chosen([log(1, 900, 50, None), log(2, 800, 10, "TD000001.LOG")]) == {2}  # deleted ones are older


def test_short_power_up_after_the_flight_is_not_the_flight():
    assert chosen([log(1, 100_000, 0, "TD000001.LOG"), log(2, 500, 30, "TD000002.LOG")]) == {1}


def test_log_of_the_same_hours_joins_the_flight():
    logs = [log(1, 50_000, 0), log(2, 40_000, 2), log(3, 30_000, 5), log(4, 70_000, -40)]
    assert chosen(logs) == {1, 2, 3}


def test_log_that_is_asked_for_is_taken_and_an_unknown_one_refused():
    logs = [log(1, 900, 50, "TD000004.LOG"), log(77, 800, -90)]
    assert chosen(logs, 77) == {77}
    for name in ("td000004.log", "TD000004", "td000004", "1"):
        assert chosen([log(1, 900, 50, "TD000004.LOG"), log(77, 800, -90)], name) == {1}
    with pytest.raises(InputError, match=r"log 5: not in this source; it holds TD000004.LOG \(log 1\), log 77"):
        choose(logs, 5)


def write(folder, *logs):
    folder.mkdir()
    for number, one in enumerate(logs, 1):
        (folder / f"TD{number:06d}.LOG").write_bytes(one.data())
    return folder


def test_two_logs_of_one_flight_make_one_table_in_order_of_time(tmp_path):
    profile = flight_profile(wait_s=20, top_m=600.0, rest_s=30)
    # the second file holds the first half: order is that of time, not of names
    second = log_flight(LogMaker(log_id=1), profile, boots=((6, 80, None),))
    first = log_flight(LogMaker(log_id=2), profile, boots=((5, 0, 75),))
    result = decode(write(tmp_path / "card", second, first), tmp_path / "out")
    account = result.integrity
    assert [boot["boot"] for boot in account["boots"]] == [5, 6]
    assert account["frames_ok"] == len(first.frames) + len(second.frames)
    assert account["boots"][0]["last_utc"] < account["boots"][1]["first_utc"]
    assert account["notes"] == []


def test_logs_of_other_days_stay_out_and_are_named(tmp_path):
    profile = flight_profile(wait_s=20, top_m=600.0, rest_s=30)
    old = log_flight(LogMaker(log_id=1), profile, boots=((5, 0, None),), utc_ms=LAUNCH_UTC_MS - 400 * 24 * HOUR_MS)
    new = log_flight(LogMaker(log_id=2), profile, boots=((9, 0, None),))
    account = decode(write(tmp_path / "card", old, new), tmp_path / "out").integrity
    assert account["frames_ok"] == len(new.frames) and len(account["boots"]) == 1
    by_id = {one["log_id"]: one for one in account["logs"]}
    assert by_id[1]["frames"] == len(old.frames) and by_id[1]["first_utc"].startswith("2030-04-22")
    assert "TD000001.LOG (log 1)" in account["notes"][0]


def test_three_hundred_restarts_are_one_flight(tmp_path):
    one = LogMaker()
    for boot in range(1, 301):
        one.boot(boot)
        for n in range(3):
            one.add(PRESSURE, 100 * n, 0, 0, 9085466, 8569150)
            one.add(TEMPERATURE, 100 * n + 1, 0, 0, n)
    (tmp_path / "TD000001.LOG").write_bytes(one.data())
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "out").integrity
    assert len(account["boots"]) == 300 and account["frames_ok"] == 1800 and account["frames_missing"] == 0


def test_sector_left_out_by_a_resume_is_no_damage_but_a_torn_one_is(tmp_path):
    one = LogMaker()
    for boot in (1, 2):
        one.boot(boot)
        for n in range(100):
            one.add(PRESSURE, 100 * n, 0, 0, 9085466, 8569150)
    data = bytearray(one.data())
    (tmp_path / "TD000001.LOG").write_bytes(data)
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "whole").integrity
    written = sum(sector is not None for sector in one.sectors)
    assert account["sectors_read"] == written and account["sectors_bad"] == 0
    hole = one.sectors.index(None)
    data[hole * 512 : hole * 512 + 200] = b"\x5a" * 200  # garbage of a write that the power cut stopped
    (tmp_path / "TD000001.LOG").write_bytes(data)
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "torn").integrity
    assert account["sectors_read"] == written + 1 and account["sectors_bad"] == 1
    assert account["frames_ok"] == 200 and account["frames_bad"] == account["frames_missing"] == 0


def test_sectors_of_a_newer_format_are_counted_and_their_known_records_read(tmp_path):
    from zlib import crc32

    one = LogMaker(text=False)
    one.boot(1)
    for n in range(60):
        one.add(PRESSURE, 100 * n, 0, 0, 9085466, 8569150)
    data = bytearray(one.data())
    data[512 + 22] = 9  # format
    data[512 + 26 : 512 + 30] = crc32(data[512 : 512 + 26]).to_bytes(4, "little")
    (tmp_path / "TD000001.LOG").write_bytes(data)
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "out").integrity
    assert account["sectors_newer_format"] == 1 and account["frames_ok"] == 60
    assert any("newer format" in note for note in account["notes"])

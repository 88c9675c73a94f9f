"""Times of day that a receiver said without a date."""

import pytest

from shared_protocol import records as r
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, fix_values
from tests.ground.test_decode_tables import tables

DAY_MS = 86_400_000
MIDNIGHT_MS = LAUNCH_UTC_MS // DAY_MS * DAY_MS  # 2031-05-27


def said(utc_ms, dated):
    values = fix_values(utc_ms, 51.0, 7.0, 500.0, source=1)
    return values if dated else (0, 0, 0, *values[3:])


def log_of(*entries):
    """One boot with fixes at seconds around midnight, each with a date or without."""
    log = LogMaker(log_id=6)
    log.boot(1)
    for second, dated in entries:
        log.add(r.FIX, 10_000 + 1000 * second, *said(MIDNIGHT_MS + 1000 * second, dated))
    return log


def test_times_without_a_date_get_that_of_the_nearest_dated_fix_over_midnight_too(tmp_path):
    """GGA sentences say the time alone; here the dated ones come after midnight, and one in the middle is lost."""
    log = log_of((-3, False), (-2, False), (1, False), (3, True), (4, False), (5, True))
    rows = tables(tmp_path, log)("fix")
    assert [row["gnss_utc"][:19] for row in rows[:6]] == [
        "2031-05-26T23:59:57", "2031-05-26T23:59:58", "2031-05-27T00:00:01",
        "2031-05-27T00:00:03", "2031-05-27T00:00:04", "2031-05-27T00:00:05",
    ]  # fmt: skip
    assert [row["flags"] for row in rows[:6]] == ["assumed_date"] * 3 + ["", "assumed_date", ""]
    assert rows[0]["gnss_time_of_day_s"] == 86_397.0


def test_boot_that_never_heard_a_date_keeps_the_time_of_day(tmp_path):
    log = log_of((0, True))
    log.boot(2)
    log.add(r.FIX, 500, *said(34_200_000, False))
    row = tables(tmp_path, log)("fix")[1]
    assert (row["gnss_utc"], row["flags"], row["gnss_time_of_day_s"]) == (None, "", 34_200.0)


@pytest.mark.parametrize("dated", [-5, 5])
def test_date_before_midnight_and_date_behind_it_give_the_same(tmp_path, dated):
    rows = tables(tmp_path, log_of(*sorted([(dated, True), (-1, False), (1, False)])))("fix")
    times = {row["gnss_utc"][:19] for row in rows if row["flags"] == "assumed_date"}
    assert times == {"2031-05-26T23:59:59", "2031-05-27T00:00:01"}

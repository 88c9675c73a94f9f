"""Recorded receiver streams, played through firmware, card and decoder, give the fixes an independent parser reads.

The streams and the independent readings (`*.fixes.csv`: pyubx2, pynmeagps and gpsd's own answer) are described in
tests/data/gnss/SOURCES.md.
"""

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.journeys.flights import fly_and_decode

STREAMS = sorted(path for path in (Path(__file__).parents[1] / "data" / "gnss").glob("s*") if path.suffix != ".csv")
DAY_S = 86400


def seconds_of_day(text):
    """`hh:mm:ss[.f]` in seconds."""
    hours, minutes, seconds = text.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


def expected_rows(stream):
    """The valid rows of an expected CSV, with numbers where it has numbers."""
    with open(stream.with_suffix(".fixes.csv"), newline="", encoding="utf-8") as handle:
        rows = [row for row in csv.DictReader(handle) if row["valid"] == "1"]
    for row in rows:
        row["at_s"] = seconds_of_day(row["utc_time"]) if row["utc_time"] else None
        row["lat"], row["lon"] = float(row["lat_deg"]), float(row["lon_deg"])
        row["alt"] = float(row["alt_msl_m"]) if row["alt_msl_m"] else None
    return rows


def decoded_fixes(flown):
    """The rows of `tables/fix` that claim a position."""
    table = flown.table("fix")
    rows = [dict(zip(table, values, strict=True)) for values in zip(*table.values(), strict=True)]
    rows = [row for row in rows if row["fix_type"] != "none"]
    for row in rows:
        moment = datetime.fromisoformat(row["gnss_utc"]).astimezone(UTC)
        row["at_s"] = moment.hour * 3600 + moment.minute * 60 + moment.second + moment.microsecond / 1e6
    return rows


def same_place(fix, row):
    return abs(fix["latitude_deg"] - row["lat"]) <= 2e-7 and abs(fix["longitude_deg"] - row["lon"]) <= 2e-7


def same_time(fix, row):
    if row["at_s"] is None:  # NAV-SOL gives no UTC
        return True
    # the expected NAV-PVT time is the `sec` field alone, without the fraction that may round it up or down
    tolerance = 1.0 if row["source"] == "NAV-PVT" else 0.002
    distance = abs(fix["at_s"] - row["at_s"])
    return min(distance, DAY_S - distance) <= tolerance


def expected_epochs(rows):
    """How many moments the independent reading tells apart: a source seen again begins a new one."""
    count, last_nmea = 0, None
    binary = [row for row in rows if row["source"] == "NAV-PVT"]
    count += len(binary)
    for row in rows:
        if row["source"] in ("RMC", "GGA") and row["at_s"] != last_nmea:
            last_nmea = row["at_s"]
            if not any(abs(pvt["at_s"] - row["at_s"]) < 0.5 and abs(pvt["lat"] - row["lat"]) < 2e-7 for pvt in binary):
                count += 1
    return count


@pytest.mark.parametrize("stream", STREAMS, ids=lambda path: path.stem)
def test_recorded_stream_gives_the_fixes_an_independent_parser_reads(stream, tmp_path):
    rows = expected_rows(stream)
    fixes = decoded_fixes(fly_and_decode(tmp_path / "flight", gnss_stream=stream))
    for row in rows:
        matches = [fix for fix in fixes if same_time(fix, row) and same_place(fix, row)]
        assert matches, f"no fix for {row['source']} at {row['utc_time']}"
        if row["alt"] is not None:
            for fix in matches:
                flat = fix["fix_type"] == "2d" and fix["altitude_m"] is None
                assert flat or abs(fix["altitude_m"] - row["alt"]) <= 0.05
    for fix in fixes:
        assert any(same_time(fix, row) and same_place(fix, row) for row in rows), f"invented: {fix}"
    assert len(fixes) == expected_epochs(rows)


def test_two_dimensional_fixes_keep_no_height(tmp_path):
    stream = next(path for path in STREAMS if path.stem.startswith("s3"))
    fixes = decoded_fixes(fly_and_decode(tmp_path / "flight", gnss_stream=stream))
    flat = [fix for fix in fixes if fix["fix_type"] == "2d"]
    assert len(flat) == 4  # GSA says 2 in four epochs of this recording; their 516.7 m is an assumed height
    assert all(fix["altitude_m"] is None and fix["ellipsoid_height_m"] is None for fix in flat)
    assert all(70 <= fix["altitude_m"] <= 100 for fix in fixes if fix["fix_type"] == "3d")

"""One fix per epoch, on recorded streams: held against what others read in them."""

import random

import pytest

from tests.firmware.gnss_streams import (
    STREAMS,
    Pump,
    expected_epochs,
    fixes,
    read_expected,
    read_stream,
    rows_of,
)
from tests.interpreters import INTERPRETERS, run


def check_against(rows, stream):
    """Every epoch with a valid row gives one fix, and no other fix is there."""
    epochs = [epoch for epoch in expected_epochs(read_expected(stream)) if any(row["valid"] for row in epoch)]
    found = fixes(rows)
    assert len(found) == len(epochs)
    for fix, epoch in zip(found, epochs, strict=True):
        for row in epoch:
            if not row["valid"]:
                continue
            assert fix["latitude"] == pytest.approx(row["lat_deg"] * 1e7, abs=2)
            assert fix["longitude"] == pytest.approx(row["lon_deg"] * 1e7, abs=2)
            tolerance_ms = 1000 if row["source"] == "NAV-PVT" else 1
            assert abs(fix["utc"] - row["seconds"] * 1000) <= tolerance_ms
            if row["utc_date"]:
                assert "{year:04d}-{month:02d}-{day:02d}".format(**fix) == row["utc_date"]
        best = sorted(epoch, key=lambda row: row["source"] != "NAV-PVT")[0]
        heights = [row for row in epoch if row["valid"] and row["alt_msl_m"] is not None]
        heights.sort(key=lambda row: row["source"] != "NAV-PVT")
        if not heights or heights[0]["sats_used"] < 4:
            assert fix["fix_type"] == 2
            assert fix["altitude"] is None and fix["ellipsoid_height"] is None
        else:
            assert fix["fix_type"] == 3
            assert fix["altitude"] == pytest.approx(heights[0]["alt_msl_m"] * 1000, abs=50)
            assert fix["satellites"] == heights[0]["sats_used"]
        if best["source"] == "NAV-PVT":
            assert fix["speed"] == pytest.approx(best["speed_mps"] * 1000, abs=1)
            assert fix["course"] == pytest.approx(best["course_deg"] * 1e5, abs=1)


@pytest.mark.parametrize("stream", STREAMS)
def test_recorded_stream_gives_the_epochs_that_others_read(stream):
    data = read_stream(stream)
    whole = rows_of([data])
    check_against(whole, stream)
    assert rows_of([data[i : i + 1] for i in range(len(data))]) == whole
    chance = random.Random(3)
    pieces = []
    at = 0
    while at < len(data):
        size = chance.randrange(1, 400)
        pieces.append(data[at : at + size])
        at += size
    assert rows_of(pieces) == whole


@pytest.mark.parametrize("stream", STREAMS)
def test_recorded_stream_with_rubbish_between_its_messages_gives_the_same(stream):
    data = read_stream(stream)
    chance = random.Random(4)
    pieces = []
    at = 0
    for row in read_expected(stream):
        pieces.append(data[at : row["byte_offset"]])
        pieces.append(
            bytes(chance.choice(b"$*\xb5b\x01\x07\x5c\x00,GPRMC\r\n\xff") for _ in range(chance.randrange(90)))
        )
        at = row["byte_offset"]
    pieces.append(data[at:])
    check_against(rows_of(pieces), stream)


@pytest.mark.parametrize("stream", STREAMS)
def test_recorded_stream_played_an_epoch_a_second_gives_the_same(stream):
    data = read_stream(stream)
    cuts = [epoch[0]["byte_offset"] for epoch in expected_epochs(read_expected(stream))] + [len(data)]
    pump = Pump(byte_us=1042)
    pump.feed(data[: cuts[0]])
    for number in range(len(cuts) - 1):
        pump.now_ms = 1000 * (number + 2)
        for at in range(cuts[number], cuts[number + 1], 96):
            pump.now_ms += 100
            pump.feed(data[at : min(at + 96, cuts[number + 1])])
        pump.now_ms = 1000 * (number + 3) - 450
        pump.silence(400)
    check_against(pump.rows, stream)


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_both_pythons_give_the_same_rows_and_allocate_nothing(interpreter):
    code = """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.core.gnss_parser import GnssParser, NONE, TXT, TIMEGPS
from firmware.core.gnss_epoch import EpochBuilder
NAMES = ("t_ms", "year", "month", "day", "utc", "latitude", "longitude", "altitude", "ellipsoid_height", "speed",
         "course", "climb", "accuracy", "hdop", "satellites", "fix_type", "source", "flags")
def play(name):
    with open("tests/data/gnss/" + name, "rb") as handle:
        data = handle.read()
    pieces = [data[i:i + 90] for i in range(0, len(data), 90)]
    parser = GnssParser()
    epoch = EpochBuilder(parser)
    state = [0, 0]
    def pump(now):
        while True:
            kind = parser.next()
            if kind == NONE:
                return
            if kind > TIMEGPS or kind == TXT or epoch.take(kind):
                parser.done()
            if epoch.fix_ready or epoch.ecef_ready:
                return
    def some(now):  # until a row is ready
        heap_lock()
        try:
            pump(now)
        finally:
            heap_unlock()
    def feed(piece, now):
        heap_lock()
        try:
            parser.feed(piece, len(piece), now)
        finally:
            heap_unlock()
    now = 0
    for piece in pieces + [None]:
        now += 95
        if piece is None:
            now += 500
            heap_lock()
            try:
                parser.idle(now)
                pump(now)
                epoch.finish()
            finally:
                heap_unlock()
        else:
            feed(piece, now)
            some(now)
        while epoch.fix_ready or epoch.ecef_ready:
            if epoch.fix_ready:
                print(name[:2], [getattr(epoch.fix, key) for key in NAMES])
            epoch.fix_ready = epoch.ecef_ready = False
            some(now)
for name in %r:
    play(name)
"""
    out = run(code % (STREAMS,), interpreter)
    assert len(out.splitlines()) > 120
    test_both_pythons_give_the_same_rows_and_allocate_nothing.seen.add(out)
    assert len(test_both_pythons_give_the_same_rows_and_allocate_nothing.seen) == 1


test_both_pythons_give_the_same_rows_and_allocate_nothing.seen = set()

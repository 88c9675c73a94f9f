"""Fields of sentences as whole numbers: the check values, and pynmeagps as an independent reader."""

import re
from decimal import ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pynmeagps import NMEAReader

from firmware.core import gnss_parser as gp
from firmware.core.gnss_nmea import Sentence
from firmware.core.gnss_numbers import angle, fixed, is_date, signed32, time_of_day, unsigned32
from shared_protocol.records import UNKNOWN_I32, UNKNOWN_U16
from tests.check_values import _entries, check_value
from tests.firmware.gnss_streams import STREAMS, Pump, oracle, read_stream, rows_of

SENTENCES = [
    name
    for name, entry in _entries().items()
    if name.startswith("nmea.") and "sentence" in entry["inputs"] and "accepted" not in entry["expected"]
]


def read(sentence):
    """A Sentence that has read `sentence`, and its kind."""
    data = sentence.encode() + b"\r\n"
    parser = gp.GnssParser()
    parser.feed(data, len(data), 0)
    kind = parser.next()
    said = Sentence()
    reader = {gp.RMC: said.read_rmc, gp.GGA: said.read_gga, gp.GSA: said.read_gsa, gp.ZDA: said.read_zda}.get(kind)
    if reader:
        reader(parser.buf, parser.begin, parser.stop)
    return kind, said


def with_check_sum(body):
    check = 0
    for character in body.encode():
        check ^= character
    return f"${body}*{check:02X}"


@pytest.mark.parametrize("name", SENTENCES)
def test_sentence_says_what_its_check_value_says(name):
    entry = check_value(name)
    expected = entry["expected"]
    kind, said = read(entry["inputs"]["sentence"])
    if "VTG" in entry["inputs"]["sentence"]:
        assert kind == gp.NONE  # of no use to us
        return
    assert kind != gp.NONE
    if "lat" in expected:
        if expected["lat"] is None:
            assert not said.valid and said.latitude == UNKNOWN_I32 and said.longitude == UNKNOWN_I32
        else:
            assert said.valid
            assert said.latitude == pytest.approx(expected["lat"] * 1e7, abs=6)
            assert said.longitude == pytest.approx(expected["lon"] * 1e7, abs=6) or "lon" not in expected
    if "utc" in expected:
        if expected["utc"] is None:
            assert said.time_ms == UNKNOWN_I32
        else:
            hours, minutes, seconds = expected["utc"].split(":")
            assert said.time_ms == round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * 1000)
    for key, attribute, scale in (
        ("alt_msl_m", "altitude", 1000),
        ("ellipsoidal_h_m", "ellipsoid_height", 1000),
        ("course_deg", "course", 100000),
        ("hdop", "hdop", 100),
        ("sats", "satellites", 1),
        ("speed_m_s", "speed", 1000),
    ):
        if key not in expected or (key == "hdop" and kind == gp.GSA):
            continue
        value = getattr(said, attribute)
        if expected[key] is None:
            assert value in (UNKNOWN_I32, UNKNOWN_U16)
        else:
            assert value == pytest.approx(expected[key] * scale, abs=0.6 if key == "speed_m_s" else 1e-6)
    if "date" in expected:
        date = f"{said.year:04d}-{said.month:02d}-{said.day:02d}"
        assert date == (expected["date"] or "0000-00-00")
    if kind == gp.RMC:
        assert said.valid == (expected.get("status") == "A")
    if kind == gp.GSA:
        assert said.mode == expected["fix"]


def test_a_sentence_with_a_wrong_check_sum_is_refused_and_counted():
    case = check_value("nmea.bad_checksum")
    pump = Pump()
    pump.feed(case["inputs"]["sentence"].encode() + b"\r\n")
    pump.silence()
    assert pump.messages == []
    assert pump.parser.bad == 1


def test_height_above_the_ellipsoid_is_altitude_plus_separation():
    assert check_value("nmea.altitude_meaning")["expected"]["rule"] == "h_ellipsoid = altitude + separation"
    _, said = read(with_check_sum("GPGGA,000001.00,0700.0,N,07900.0,E,1,09,0.95,12.0,M,-97.0,M,,"))
    assert (said.altitude, said.ellipsoid_height) == (12000, -85000)


@pytest.mark.parametrize("stream", STREAMS)
def test_fields_of_recorded_sentences_are_those_that_pynmeagps_reads(stream):
    checked = 0
    for kind, text in oracle(read_stream(stream)):
        if kind not in (gp.RMC, gp.GGA, gp.ZDA):
            continue
        line = text.decode()
        other = NMEAReader.parse(with_check_sum(line[1:]).encode() + b"\r\n")
        _, said = read(with_check_sum(line[1:]))
        if other.time:
            clock = other.time
            ms = ((clock.hour * 60 + clock.minute) * 60 + clock.second) * 1000 + clock.microsecond // 1000
            assert said.time_ms == ms
        if kind == gp.ZDA:
            if other.year:
                assert (said.year, said.month, said.day) == (other.year, other.month, other.day)
            continue
        if other.lat not in ("", None):
            assert said.valid
            assert said.latitude == pytest.approx(other.lat * 1e7, abs=1)
            assert said.longitude == pytest.approx(other.lon * 1e7, abs=1)
            checked += 1
        else:
            assert not said.valid
    assert checked or stream.endswith(".ubx")


@given(st.decimals(min_value=-99999, max_value=99999, places=5), st.integers(0, 3))
def test_decimal_numbers_are_rounded_half_away_from_zero(number, decimals):
    text = f"{number:f}".encode()
    exact = Decimal(text.decode()).scaleb(decimals).quantize(Decimal(1), rounding=ROUND_HALF_UP)
    assert fixed(text, 0, len(text), decimals) == int(exact)


@given(
    st.integers(0, 179),
    st.integers(0, 59),
    st.text("0123456789", max_size=9),
    st.sampled_from("NSEW"),
)
def test_angles_are_exact_to_the_last_digit(degrees, minutes, decimals, hemisphere):
    if hemisphere in "NS":
        degrees %= 90
    text = f"{degrees:03d}{minutes:02d}" + ("." + decimals if decimals else "")
    exact = (Decimal(degrees) + Decimal(f"{minutes}.{decimals or 0}") / 60) * 10**7
    exact = int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))
    limit = 90 if hemisphere in "NS" else 180
    value = angle(text.encode(), 0, len(text), ord(hemisphere), limit)
    assert value == (-exact if hemisphere in "SW" else exact)


@pytest.mark.parametrize("text", ["", ".", "-", "+5", "1.2.3", "12a", "1e5", "--1", "99999999999", " 1"])
def test_what_is_no_number_is_unknown(text):
    assert fixed(text.encode(), 0, len(text), 3) == UNKNOWN_I32


@pytest.mark.parametrize(
    ("text", "hemisphere"),
    [
        ("4860.0", "N"), ("9000.1", "N"), ("9100.0", "N"), ("48x7.0", "N"), ("4807.0", "X"), ("07", "N"),
        ("123456.0", "N"), ("4807,0", "N"), ("", "N"),
    ],
)  # fmt: skip
def test_an_impossible_latitude_is_unknown(text, hemisphere):
    assert angle(text.encode(), 0, len(text), ord(hemisphere), 90) == UNKNOWN_I32


@pytest.mark.parametrize("text", ["240000", "126000", "125961", "12595", "1259x9", "125959,0", "125959.x", "-12345.0"])
def test_an_impossible_time_is_unknown(text):
    assert time_of_day(text.encode(), 0, len(text)) == UNKNOWN_I32


def test_a_leap_second_runs_past_the_end_of_the_day():
    assert time_of_day(b"235960.50", 0, 9) == 86400500


@pytest.mark.parametrize(
    ("ddmmyy", "date"),
    [("230394", (1994, 3, 23)), ("060180", (1980, 1, 6)), ("311279", (2079, 12, 31)), ("290224", (2024, 2, 29)),
     ("290223", (0, 0, 0)), ("001224", (0, 0, 0)), ("011324", (0, 0, 0)), ("ab0124", (0, 0, 0)), ("", (0, 0, 0))],
)  # fmt: skip
def test_dates_with_two_digits_for_the_year(ddmmyy, date):
    _, said = read(with_check_sum(f"GPRMC,000000,A,4807.038,N,01131.000,E,0,0,{ddmmyy},,"))
    assert (said.year, said.month, said.day) == date


def test_days_of_the_calendar():
    assert is_date(2000, 2, 29) and not is_date(2100, 2, 29) and not is_date(1979, 12, 31)


@given(st.integers(-(2**31), 2**31 - 1))
def test_signed_numbers_of_binary_messages(value):
    data = value.to_bytes(4, "little", signed=True)
    assert signed32(data, 0) == value
    unsigned = value & 0xFFFFFFFF
    assert unsigned32(data, 0, -7) == (unsigned if unsigned < 2**30 else -7)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "BD", "GQ"])
def test_any_talker_makes_a_fix(talker):
    rows = rows_of([
        (with_check_sum(f"{talker}RMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W") + "\r\n").encode(),
        (with_check_sum(f"{talker}GGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,") + "\r\n").encode(),
    ])  # fmt: skip
    assert [row["fix_type"] for row in rows] == [3]


@pytest.mark.parametrize("body", ["PGRMC,A,225,6378137,298.257", "GPGLL,4807.038,N,01131.000,E,123519,A,A"])
def test_a_makers_own_sentence_and_gll_make_no_fix(body):
    assert rows_of([(with_check_sum(body) + "\r\n").encode()]) == []


def test_every_cut_of_a_sentence_is_survived():
    whole = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    for size in range(6, len(whole)):
        kind, said = read(with_check_sum(whole[:size]))
        if kind == gp.GGA and said.valid:
            assert re.match(r"GPGGA,123519,4807.038,N,01131(.0*)?,E,1", whole[:size])

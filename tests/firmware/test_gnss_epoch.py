"""One fix per epoch: the rules one by one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyubx2 import GET, UBXMessage

from shared_protocol.records import FLAG_ASSUMED_DATE
from tests.check_values import check_value
from tests.firmware.gnss_streams import (
    Pump,
    rows_of,
)

DAY_MS = 86400000


def line(body):
    check = 0
    for character in body.encode():
        check ^= character
    return f"${body}*{check:02X}\r\n".encode()


def rmc(time="120000.00", status="A", place="4807.038,N,01131.000,E", rest="1.0,90.0,150624,,,A"):
    return line(f"GNRMC,{time},{status},{place},{rest}")


def gga(time="120000.00", quality=1, place="4807.038,N,01131.000,E", satellites="08", height="545.4,M,46.9,M"):
    return line(f"GNGGA,{time},{place},{quality},{satellites},0.9,{height},,")


def gsa(mode=3, system=1):
    return line(f"GNGSA,A,{mode},05,07,13,14,,,,,,,,,1.42,0.71,1.23,{system}")


def zda(time="120000.00", date="15,06,2024"):
    return line(f"GNZDA,{time},{date},00,00")


def pvt(second=0, **fields):
    values = {
        "iTOW": 1000 * second, "year": 2024, "month": 6, "day": 15, "hour": 12, "min": 0, "second": second,
        "validDate": 1, "validTime": 1, "nano": -123456, "fixType": 3, "gnssFixOk": 1, "numSV": 9,
        "lat": 48.1173, "lon": 11.5166667, "height": 592300, "hMSL": 545400, "hAcc": 1500,
        "velD": -5120, "gSpeed": 514, "headMot": 90.0, "pDOP": 1.42,
    }  # fmt: skip
    values.update(fields)
    return UBXMessage("NAV", "NAV-PVT", GET, **values).serialize()


def sol(second=0, fix=3, ok=1, x=417000000, week=2318, known=1):
    return UBXMessage(
        "NAV", "NAV-SOL", GET, iTOW=1000 * second, week=week, gpsFix=fix, gpsfixOK=ok, wknSet=known, towSet=known,
        ecefX=x, ecefY=85000000, ecefZ=472500000, pAcc=350, numSV=7,
    ).serialize()  # fmt: skip


def timegps(leap=18, valid=1):
    return UBXMessage("NAV", "NAV-TIMEGPS", GET, iTOW=1, week=2318, leapS=leap, leapSValid=valid).serialize()


# --- the rules, one by one ----------------------------------------------------------------------------------------


@given(st.permutations([0, 1, 2, 3]), st.integers(1, 3))
def test_rmc_gga_and_gsa_merge_in_any_order(order, epochs):
    rows = []
    pieces = []
    for second in range(epochs):
        time = f"12000{second}.00"
        said = [rmc(time), gga(time), gsa(3, 1), gsa(3, 2)]
        pieces += [said[k] for k in order]
    rows = rows_of(pieces)
    assert [(row["utc"], row["fix_type"], row["altitude"], row["speed"]) for row in rows] == [
        (43200000 + 1000 * second, 3, 545400, 514) for second in range(epochs)
    ]


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (0, 2, 1), (1, 2, 0)])
def test_a_height_of_a_two_dimensional_fix_is_assumed_and_not_kept(order):
    pieces = []
    for second, mode in enumerate((3, 2, 3, 2, 2, 3)):
        said = [rmc(f"12000{second}.00"), gga(f"12000{second}.00"), gsa(mode)]
        pieces += [said[k] for k in order]
    rows = rows_of(pieces)
    assert [row["fix_type"] for row in rows] == [3, 2, 3, 2, 2, 3]
    assert [row["altitude"] for row in rows] == [545400, None, 545400, None, None, 545400]
    assert all(row["latitude"] == 481173000 for row in rows)


@pytest.mark.parametrize(("satellites", "fix_type"), [("03", 2), ("04", 3), ("12", 3), ("", 2)])
def test_without_gsa_four_satellites_make_a_height(satellites, fix_type):
    (row,) = rows_of([rmc() + gga(satellites=satellites)])
    assert row["fix_type"] == fix_type
    assert (row["altitude"] is None) == (fix_type == 2)


def test_several_gsa_of_one_epoch_count_by_the_best():
    (row,) = rows_of([rmc() + gga() + gsa(1, 1) + gsa(3, 2) + gsa(1, 3)])
    assert row["fix_type"] == 3


def test_rmc_alone_is_a_position_without_height():
    (row,) = rows_of([rmc()])
    assert (row["fix_type"], row["altitude"], row["satellites"]) == (2, None, None)
    assert (row["latitude"], row["speed"], row["course"]) == (481173000, 514, 9000000)


def test_gga_alone_takes_the_last_known_date_and_says_so():
    rows = rows_of([rmc("115959.00"), gga("120000.00"), gga("120001.00")])
    assert [row["flags"] for row in rows] == [0, FLAG_ASSUMED_DATE, FLAG_ASSUMED_DATE]
    assert {(row["year"], row["month"], row["day"]) for row in rows} == {(2024, 6, 15)}


def test_gga_alone_and_no_date_ever_has_none():
    (row,) = rows_of([gga()])
    assert (row["year"], row["flags"], row["fix_type"]) == (None, 0, 3)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_zda_gives_gga_its_date(order):
    said = (gga(), zda())
    (row,) = rows_of([said[k] for k in order])
    assert (row["year"], row["month"], row["day"], row["flags"]) == (2024, 6, 15, 0)


@pytest.mark.parametrize(
    ("last", "next_day"), [("311224", (2025, 1, 1)), ("280224", (2024, 2, 29)), ("280223", (2023, 3, 1))]
)
def test_a_date_assumed_past_midnight_is_the_next_day(last, next_day):
    rows = rows_of([rmc("235959.00", rest=f"1.0,90.0,{last},,,A"), gga("000000.00"), gga("000001.00")])
    assert [(row["year"], row["month"], row["day"]) for row in rows[1:]] == [next_day, next_day]
    assert [row["flags"] for row in rows] == [0, FLAG_ASSUMED_DATE, FLAG_ASSUMED_DATE]


def test_zda_and_gll_alone_make_no_row():
    assert rows_of([zda() + line("GNGLL,4807.038,N,01131.000,E,120000.00,A,A")]) == []


def test_epochs_without_a_time_are_rows_without_a_fix():
    said = line("GPRMC,,V,,,,,,,,,,N") + line("GPGGA,,,,,,0,00,99.99,,,,,,") + gsa(1)
    rows = rows_of([said * 3])
    assert [(row["fix_type"], row["utc"], row["latitude"]) for row in rows] == [(0, None, None)] * 3


def test_a_fix_that_the_receiver_denies_is_none():
    rows = rows_of([rmc(status="V") + gga(quality=0)])
    assert [(row["fix_type"], row["latitude"], row["altitude"], row["speed"]) for row in rows] == [
        (0, None, None, None)
    ]
    assert rows[0]["utc"] == 43200000 and rows[0]["satellites"] == 8


def test_the_last_v_of_a_newer_rmc_is_not_void():
    (row,) = rows_of([rmc(rest="1.0,90.0,150624,,,A,V") + gga()])
    assert row["fix_type"] == 3


@pytest.mark.parametrize("order", [(0, 1, 2), (1, 0, 2), (1, 2, 0)])
def test_nav_pvt_wins_over_nmea_of_the_same_moment(order):
    pieces = []
    for second in range(3):
        time = f"12000{second}.00"
        said = [pvt(second, hMSL=600000), rmc(time), gga(time)]
        pieces += [said[k] for k in order]
    rows = rows_of(pieces)
    assert [(row["source"], row["altitude"], row["utc"]) for row in rows] == [
        (2, 600000, 43200000 + 1000 * second) for second in range(3)
    ]


def test_nav_pvt_is_given_at_once():
    pump = Pump()
    pump.feed(pvt())
    assert len(pump.rows) == 1


def test_nav_pvt_of_the_check_value():
    case = check_value("ubx.nav_pvt.example")
    expected = case["expected"]
    (row,) = rows_of([bytes.fromhex(case["inputs"]["frame_hex"])])
    assert (row["latitude"], row["longitude"]) == (-331234567, -715432101)
    assert (row["altitude"], row["ellipsoid_height"]) == (expected["hMSL_mm"], expected["height_mm"])
    assert (row["year"], row["month"], row["day"]) == (2024, 6, 15)
    assert row["utc"] == ((14 * 60 + 7) * 60 + 32) * 1000
    assert (row["satellites"], row["fix_type"], row["climb"], row["course"]) == (12, 3, 5120, 11775804)
    assert (row["speed"], row["accuracy"], row["hdop"], row["source"]) == (26506, 1800, 142, 2)


def test_nav_pvt_without_a_fix_is_not_logged_as_nought_north_nought_east():
    (row,) = rows_of([bytes.fromhex(check_value("ubx.nav_pvt.nofix")["expected"]["frame_hex"])])
    assert (row["fix_type"], row["latitude"], row["longitude"], row["altitude"], row["utc"], row["year"]) == (
        0, None, None, None, None, None,
    )  # fmt: skip


def test_without_a_fix_nav_pvt_knows_more_than_nmea_and_with_one_nmea_knows_more():
    blind = pvt(gnssFixOk=0, numSV=2)
    for pieces in ([blind, rmc(status="V"), gga(quality=0)], [rmc(status="V"), gga(quality=0), blind]):
        (row,) = rows_of(pieces)
        assert (row["source"], row["satellites"], row["fix_type"]) == (2, 2, 0)
    for pieces in ([blind, rmc(), gga()], [rmc(), gga(), blind]):
        (row,) = rows_of(pieces)
        assert (row["source"], row["satellites"], row["fix_type"]) == (1, 8, 3)


@pytest.mark.parametrize("fields", [{"gnssFixOk": 0}, {"fixType": 0}, {"fixType": 1}, {"fixType": 5}])
def test_nav_pvt_without_its_fix_ok_flag_or_type_is_not_a_fix(fields):
    rows = rows_of([pvt(0, **fields) + pvt(1, **fields)])
    assert [(row["fix_type"], row["latitude"], row["altitude"], row["speed"]) for row in rows] == [
        (0, None, None, None)
    ] * 2
    assert [row["satellites"] for row in rows] == [9, 9]
    assert [row["utc"] for row in rows] == [43200000, 43201000]


def test_nav_pvt_in_two_dimensions_has_no_height():
    (row,) = rows_of([pvt(fixType=2)])
    assert (row["fix_type"], row["altitude"], row["ellipsoid_height"], row["climb"]) == (2, None, None, None)
    assert row["latitude"] == 481173000


@pytest.mark.parametrize(("nano", "ms"), [(-600000, -1), (-499999, 0), (499999, 0), (999600000, 1000), (-123456, 0)])
def test_nanoseconds_are_rounded_to_milliseconds_and_may_be_negative(nano, ms):
    (row,) = rows_of([pvt(nano=nano, hour=0, min=0)])
    assert row["utc"] == ms


@pytest.mark.parametrize(("date", "time"), [(0, 1), (1, 0), (0, 0)])
def test_a_date_or_time_that_nav_pvt_calls_invalid_is_unknown(date, time):
    (row,) = rows_of([pvt(validDate=date, validTime=time)])
    assert (row["year"] is not None, row["utc"] is not None) == (bool(date), bool(time))
    assert row["fix_type"] == 3


def test_the_older_nav_pvt_of_84_bytes_is_read_too():  # its length is from memory
    whole = pvt()
    body = whole[2:4] + (84).to_bytes(2, "little") + whole[6 : 6 + 84]
    a = b = 0
    for value in body:
        a = (a + value) & 0xFF
        b = (b + a) & 0xFF
    assert rows_of([b"\xb5b" + body + bytes((a, b))]) == rows_of([whole])


def test_the_same_nav_pvt_again_is_no_new_row():
    assert len(rows_of([pvt(0) + pvt(0) + pvt(1) + pvt(1) + rmc("120001.00")])) == 2


def test_twenty_five_epochs_a_second_stay_apart():
    said = [pvt(0, iTOW=40 * k, nano=40000000 * k + (-1) ** k * 400000) for k in range(25)]
    assert len(rows_of(said)) == 25
    said = []
    for k in range(25):
        time = f"120000.{4 * k:02d}"
        said += [gga(time), rmc(time)]
    assert len(rows_of(said)) == 25


def test_a_moment_given_after_a_silence_is_not_given_again():
    pump = Pump()
    pump.feed(gga())
    pump.silence()
    pump.feed(rmc() + gsa())
    pump.silence()
    assert len(pump.rows) == 1


def test_a_clock_that_jumps_back_goes_on_giving_rows():
    rows = rows_of([rmc("120010.00") + rmc("120011.00") + rmc("120009.00") + rmc("120010.00")])
    assert [row["utc"] % 60000 for row in rows] == [10000, 11000, 9000, 10000]


def test_the_time_of_a_row_is_that_of_the_first_byte_of_its_burst():
    pump = Pump()
    for second in range(3):
        pump.now_ms = 10000 + 1000 * second
        pump.feed(line("GNVTG,,,,,,,,,N"))  # first in the burst, and of no use
        pump.now_ms += 60
        pump.feed(rmc(f"12000{second}.00"))
        pump.now_ms += 60
        pump.feed(gga(f"12000{second}.00"))
    pump.silence()
    assert [row["t_ms"] for row in pump.rows] == [10000, 11000, 12000]


def test_nav_sol_alone_becomes_an_ecef_row():
    rows = rows_of([sol(0) + sol(1) + sol(1) + timegps() + sol(2)])
    assert [(row["record"], row["tow"], row["leap"]) for row in rows] == [
        ("ecef", 0, None), ("ecef", 1000, 18), ("ecef", 2000, 18),
    ]  # fmt: skip
    assert (rows[0]["x"], rows[0]["y"], rows[0]["z"]) == (417000000, 85000000, 472500000)
    assert (rows[0]["week"], rows[0]["satellites"], rows[0]["fix_type"], rows[0]["accuracy"]) == (2318, 7, 3, 350)


def test_nav_sol_without_a_fix_is_a_row_without_a_place():
    rows = rows_of([sol(0, ok=0) + sol(1, fix=0) + sol(2, fix=5, known=0) + sol(3)])
    assert [(row["record"], row["tow"], row["fix_type"], row["week"]) for row in rows] == [
        ("ecef", 0, 0, 2318), ("ecef", 1000, 0, 2318), ("ecef", 2000, 0, None), ("ecef", 3000, 3, 2318),
    ]  # fmt: skip
    for row in rows[:3]:
        assert (row["x"], row["y"], row["z"], row["accuracy"], row["satellites"]) == (0, 0, 0, None, 7)


def test_nav_sol_without_a_fix_beside_another_message_is_none():
    nothing = {"fixType": 0, "gnssFixOk": 0}
    beside = [sol(0, ok=0) + pvt(0, **nothing) + sol(1, ok=0) + pvt(1, **nothing)]
    assert [row["record"] for row in rows_of(beside)] == ["fix"] * 2
    without = rmc(status="V")
    assert [row["record"] for row in rows_of([sol(0, ok=0) + without + sol(1, ok=0)])] == ["fix"]
    assert [row["record"] for row in rows_of([without + sol(0, ok=0)])] == ["fix"]


def test_nav_sol_beside_another_position_is_none():
    assert [row["record"] for row in rows_of([sol(0) + pvt(0) + sol(1) + pvt(1)])] == ["fix"] * 2
    assert [row["record"] for row in rows_of([sol(0) + rmc() + sol(1)])] == ["fix"]


def test_nav_sol_steps_in_when_nothing_else_had_a_position_for_three_seconds():
    pump = Pump()
    for second in range(8):
        pump.now_ms = 10000 + 1000 * second
        pump.feed(sol(second))
        if second < 3:
            pump.feed(pvt(second))
        pump.silence(500)
    assert [(row["record"], row.get("tow")) for row in pump.rows] == [("fix", None)] * 3 + [
        ("ecef", 5000), ("ecef", 6000), ("ecef", 7000),
    ]  # fmt: skip


def test_an_unknown_week_and_an_unknown_leap_second_stay_unknown():
    (row,) = rows_of([timegps(valid=0) + sol(0, known=0)])
    assert (row["week"], row["leap"]) == (None, None)

"""What the virtual receiver says, every byte of it read by pynmeagps and pyubx2 (PyPI), which know nothing of it."""

import statistics
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from pynmeagps import NMEAReader

from ground.simulator.board.gnss import limits, nmea
from ground.simulator.board.gnss.calendar import civil, time_of_week_ms
from tests.check_values import check_value
from tests.simulator.listener import PLACE, START, Listener, check_frame, named, resumed, understood, whole


@pytest.mark.parametrize("generation", ["m8", "m10", "nmea_only"])
def test_every_byte_said_by_default_is_a_known_sentence(generation):
    listener = Listener(generation, start_us=300_000)
    messages = understood(whole(listener.listen(30)))
    kinds = {message.msgID for message in messages}
    assert kinds == {"RMC", "VTG", "GGA", "GSA", "GSV", "GLL"} | (set() if generation == "nmea_only" else {"TXT"})
    assert {message.talker for message in messages} == {"GN", "GP", "GL"} | ({"GA"} if generation == "m10" else set())
    assert len(named(messages, "GNRMC")) in (29, 30)
    for line in whole(listener.said).split(b"\r\n")[:-1]:
        NMEAReader.parse(line + b"\r\n", validate=1)



def test_position_height_and_time_are_those_of_the_world():
    listener = Listener(position_noise_m=0.0, height_noise_m=0.0, speed_noise_mps=0.0)
    fix = named(understood(whole(listener.listen(30))), "GNGGA")[-1]
    assert fix.lat == pytest.approx(PLACE["latitude_deg"], abs=1e-7)
    assert fix.lon == pytest.approx(PLACE["longitude_deg"], abs=1e-7)
    assert (fix.alt, fix.sep, fix.quality) == (412.0, -36.5, 1)
    rmc = named(understood(whole(listener.said)), "GNRMC")[-1]
    assert (rmc.date.isoformat(), rmc.status) == ("2026-09-19", "A")
    second = (rmc.time.hour * 60 + rmc.time.minute) * 60 + rmc.time.second
    assert 0 <= 4 * 3600 + 10 * 60 + 30 - second <= 1
    assert rmc.time.microsecond == 0



def test_binary_and_text_tell_the_same_position():
    listener = Listener()
    listener.tell(check_frame("ubx.cfg_msg.pvt1"))
    listener.listen(30)
    messages = understood(whole(listener.said))
    by_second = {message.time.second: message for message in named(messages, "GNGGA") if message.quality}
    compared = 0
    for pvt in named(messages, "NAV-PVT"):
        if pvt.fixType == 3 and pvt.second in by_second:
            gga = by_second[pvt.second]
            assert pvt.lat == pytest.approx(gga.lat, abs=1.1e-7)
            assert pvt.lon == pytest.approx(gga.lon, abs=1.1e-7)
            assert pvt.hMSL / 1000 == pytest.approx(gga.alt, abs=0.051)
            assert (pvt.height - pvt.hMSL) / 1000 == pytest.approx(gga.sep, abs=0.002)
            assert (pvt.gnssFixOk, pvt.numSV) == (1, gga.numSV)
            compared += 1
    assert compared > 10



def test_time_of_week_is_gps_time_18_seconds_ahead_of_utc():
    example = check_value("ubx.nav_pvt.example")["expected"]
    moment = datetime(2024, 6, 15, 14, 7, 32, tzinfo=UTC)
    assert time_of_week_ms(round(moment.timestamp() * 1000)) == example["iTOW_ms"]



@pytest.mark.parametrize("moment", [
    datetime(2000, 2, 29, 23, 59, 59, tzinfo=UTC), datetime(2024, 12, 31, tzinfo=UTC),
    datetime(2027, 3, 1, 12, 0, 1, tzinfo=UTC), datetime(2079, 6, 6, tzinfo=UTC),
])  # fmt: skip
def test_calendar_agrees_with_pythons(moment):
    assert civil(round(moment.timestamp())) == tuple(moment.timetuple())[:6]



def test_sentences_are_formatted_as_the_check_values_are():
    """Formatting only, from the values of the check sentences."""
    fix = type("Fix", (), {})()
    fix.valid, fix.clock_text, fix.date_text = True, "140732.00", "150624"
    fix.speed_mps, fix.course_deg, fix.course_known = 26.506, 117.758, True
    fix.satellites, fix.hdop, fix.altitude_m, fix.geoid_separation_m = 12, 0.71, 30012.345, 33.4
    fix.latitude_deg, fix.longitude_deg = -33.12345667, -71.54321017
    for name, sentence in (("nmea.gga_sw_30km", nmea.gga(fix)), ("nmea.vtg", nmea.vtg(fix))):
        assert sentence.decode().strip() == check_value(name)["inputs"]["sentence"]
    fix.course_deg = 117.76
    assert nmea.rmc(fix, 40).decode().strip() == check_value("nmea.rmc_sw")["inputs"]["sentence"]
    assert nmea.rmc(fix, 41).decode().strip() == check_value("nmea.rmc_sw_411")["inputs"]["sentence"]
    fix.valid, fix.repeats = False, False
    assert nmea.gga(fix).decode().strip() == check_value("nmea.gga_nofix")["inputs"]["sentence"]
    assert nmea.rmc(fix, 40).decode().strip() == check_value("nmea.rmc_nofix")["inputs"]["sentence"]
    assert nmea.vtg(fix).decode().strip() == check_value("nmea.vtg_nofix")["inputs"]["sentence"]



@pytest.mark.parametrize(("degrees", "text"), [
    (179.99999983, "17959.99999,E"), (-1.667e-7, "00000.00001,W"), (0.99999983, "00059.99999,E"),
    (0.9999999999, "00100.00000,E"), (-0.0000000001, "00000.00000,W"),
])  # fmt: skip
def test_minutes_never_print_as_sixty(degrees, text):
    assert nmea.angle(degrees, 3, "E", "W") == text



def test_without_a_fix_there_is_no_position_and_at_first_no_time():
    listener = Listener(first_fix_s=60.0)
    messages = understood(whole(listener.listen(20)))
    assert {message.status for message in named(messages, "GNRMC")} == {"V"}
    assert all(message.lat == "" and message.quality == 0 for message in named(messages, "GNGGA"))
    assert named(messages, "GNRMC")[0].time == ""
    later = named(understood(whole(resumed(listener.listen(22)))), "GNRMC")[-1]
    assert later.status == "V"
    assert later.time != ""



def test_a_portable_receiver_says_2d_before_3d_and_assumes_a_height():
    listener = Listener()
    messages = understood(whole(listener.listen(30)))
    modes = [message.navMode for message in named(messages, "GNGSA")]
    assert modes.index(2) < modes.index(3)
    assert sorted(modes) == modes
    flat = next(message for message in named(messages, "GNGGA") if message.quality)
    assert (flat.alt, flat.numSV) == (0.0, 3)



def test_an_airborne_receiver_gives_no_2d_fix():
    listener = Listener()
    listener.tell(check_frame("ubx.cfg_nav5.set6"))
    modes = {message.navMode for message in named(understood(whole(listener.listen(30))), "GNGSA")}
    assert modes == {1, 3}



def test_words_come_60_to_300_ms_after_the_second_at_the_lines_own_rate():
    listener = Listener("nmea_only", start_us=0)
    listener.listen(20.7)  # 0.95 s into a second: the burst before is over
    first_byte_us = None
    while first_byte_us is None:
        listener.bench.clock.advance(500)
        if listener.uart.read():
            first_byte_us = listener.bench.clock.now_us
    into_second_us = (first_byte_us + START.microsecond) % 1_000_000
    assert 60_000 <= into_second_us <= 300_000
    started = first_byte_us
    count = 0
    while listener.bench.clock.now_us < started + 100_000:
        listener.bench.clock.advance(1000)
        count += len(listener.uart.read() or b"")
    assert 80 <= count <= 100  # 960 bytes a second



ABOVE = [
    ("m8", None, 11_990.0, True), ("m8", None, 12_010.0, False), ("m8", 6, 12_010.0, True), ("m8", 6, 49_990.0, True),
    ("m8", 6, 50_010.0, False), ("m10", None, 12_010.0, False), ("m10", 6, 50_010.0, True), ("m10", 6, 79_990.0, True),
    ("m10", 6, 80_010.0, False), ("nmea_only", None, 17_990.0, True), ("nmea_only", None, 18_010.0, False),
]  # fmt: skip



@pytest.mark.parametrize(("generation", "model", "altitude", "has_fix"), ABOVE)
def test_the_fix_ends_at_the_models_altitude(generation, model, altitude, has_fix):
    listener = Listener(generation, place={"altitude_m": altitude})
    if model:
        name = "ubx.valset.dyn6.RAM" if generation == "m10" else "ubx.cfg_nav5.set6"
        listener.tell(check_frame(name))
    listener.listen(20)
    messages = understood(whole(resumed(listener.listen(5))))
    assert {message.status for message in named(messages, "GNRMC")} == {"A" if has_fix else "V"}
    assert all((message.quality == 1) == has_fix for message in named(messages, "GNGGA"))



def test_the_fix_comes_back_below_the_limit_and_the_time_never_went_away():
    listener = Listener(place={"altitude_m": 11_000.0})
    listener.tell(check_frame("ubx.cfg_msg.pvt1"))
    listener.listen(25)
    listener.bench.world.values["altitude_m"] = 12_500.0
    lost = named(understood(whole(resumed(listener.listen(10)))), "NAV-PVT")[1:]
    assert {(message.fixType, message.gnssFixOk) for message in lost} == {(0, 0)}
    assert all(message.validTime for message in lost)
    listener.bench.world.values["altitude_m"] = 11_900.0
    back = named(understood(whole(resumed(listener.listen(10)))), "NAV-PVT")
    assert back[0].fixType == 0
    assert back[-1].fixType == 3



def test_speed_ends_a_portable_fix_and_no_airborne_one():
    table = check_value("ubx.dynmodels.m10")["expected"]
    assert table["0 portable"] == [12000, 310, 50]
    assert not limits.within("m10", 0, 1000.0, 311.0, 0.0)
    assert not limits.within("m10", 0, 1000.0, 0.0, -51.0)
    assert limits.within("m10", 0, 1000.0, 309.0, -49.0)
    assert limits.within("m10", 6, 1000.0, 120.0, -101.0)
    for line, (altitude, _, _) in table.items():
        model = int(line.split()[0])
        assert limits.within("m10", model, altitude, 0.0, 0.0)
        assert not limits.within("m10", model, altitude + 1, 0.0, 0.0)
    assert not limits.is_model(1)



def test_a_supply_dip_brings_the_default_mode_and_a_search_for_a_fix():
    listener = Listener(again_fix_s=5.0)
    listener.tell(check_frame("ubx.cfg_nav5.set6"))
    listener.quiet()
    assert understood(listener.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 6
    listener.listen(20)
    listener.receiver.restart(off_us=1_500_000)
    assert listener.listen(1.5) == b""
    messages = understood(whole(listener.listen(5)))
    assert named(messages, "GNTXT")
    assert named(messages, "GNRMC")[0].status == "V"
    assert named(understood(whole(resumed(listener.listen(15)))), "GNRMC")[-1].status == "A"
    listener.quiet()
    assert understood(listener.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 0



def test_a_sentence_in_the_air_is_torn_by_a_supply_dip():
    listener = Listener("nmea_only")
    listener.listen(20)
    while listener.uart.read() is None:
        listener.bench.clock.sleep_ms(1)
    listener.bench.clock.sleep_ms(100)  # of the 800 ms that the burst takes
    listener.receiver.restart(off_us=1_000_000)
    assert 80 < len(listener.listen(0.9)) < 110



def test_speed_course_and_climb_point_the_right_way():
    """Climbing 5 m/s and going west-south-west at 13 m/s: velD is positive down, course is from north over east."""
    moving = {"climb_mps": 5.0, "speed_north_mps": -5.0, "speed_east_mps": -12.0}
    listener = Listener(place=moving, speed_noise_mps=0.0)
    listener.tell(check_frame("ubx.cfg_msg.pvt1"))
    listener.listen(25)
    messages = understood(whole(listener.said))
    pvt = named(messages, "NAV-PVT")[-1]
    assert (pvt.velD, pvt.velN, pvt.velE, pvt.gSpeed) == (-5000, -5000, -12000, 13000)
    assert pvt.headMot == pytest.approx(247.38014, abs=1e-4)  # 180 + atan(12 / 5)
    rmc, vtg = named(messages, "GNRMC")[-1], named(messages, "GNVTG")[-1]
    assert rmc.spd == pytest.approx(13 / 0.514444, abs=0.001)
    assert rmc.cog == vtg.cogt == pytest.approx(247.38, abs=0.006)
    assert vtg.sogk == pytest.approx(46.8, abs=0.001)



def test_state_goes_over_a_reset_of_the_processor():
    first = Listener()
    first.tell(check_frame("ubx.cfg_nav5.set6"))
    first.listen(30)
    state = first.receiver.save()
    second = Listener(start_us=31_000_000)
    second.receiver.restore(state)
    second.quiet()
    assert understood(second.tell(check_frame("ubx.cfg_nav5.poll")))[0].dynModel == 6
    assert understood(second.tell(check_frame("ubx.nav_pvt.poll")))[0].fixType == 3



def test_position_noise_has_the_stated_size_and_wanders():
    listener = Listener(position_noise_m=2.0, height_noise_m=4.0, baud=115200)
    listener.tell(check_frame("ubx.cfg_nav5.set6"))
    listener.listen(20)
    listener.quiet()
    north, height = [], []
    receiver = listener.receiver
    for _ in range(6000):
        receiver._set_next_epoch(receiver._epoch_us)
        fix = receiver._look()
        north.append((fix.latitude_deg - PLACE["latitude_deg"]) * 111_195)
        height.append(fix.altitude_m - PLACE["altitude_m"])
    assert statistics.pstdev(north) == pytest.approx(2.0, rel=0.25)
    assert statistics.pstdev(height) == pytest.approx(4.0, rel=0.25)
    steps = statistics.pstdev(b - a for a, b in pairwise(north))
    assert steps < 0.6 * statistics.pstdev(north)



def test_same_seed_says_the_same_bytes_and_another_seed_others():
    said = [Listener(seed=seed).listen(25) for seed in (1, 1, 2)]
    assert said[0] == said[1]
    assert said[0] != said[2]



def test_an_overfull_port_loses_bytes_like_the_real_one():
    listener = Listener("nmea_only")
    listener.uart = listener.bench.uart(listener.receiver, listener.line, rxbuf=256)
    listener.bench.clock.sleep_ms(20_000)
    assert listener.uart.any() == 256
    assert len(listener.uart.read()) == 256
    assert len(listener.uart.read()) == 32
    assert listener.bench.ledger.counts["uart_bytes_lost"] > 1000


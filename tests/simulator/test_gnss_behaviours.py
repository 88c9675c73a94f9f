"""Each way of the virtual receiver as an outsider hears it: pynmeagps and pyubx2 (PyPI) read every byte."""

from typing import get_args

import pytest
from pyubx2 import POLL, UBXMessage

from ground.errors import InputError
from ground.simulator.board.gnss.behaviour import BEHAVIOURS
from ground.simulator.scenario_chips import GnssBehaviour
from tests.simulator.flights import scenario_with
from tests.simulator.listener import START, Listener, check_frame, named, understood, whole

MODEL_KEY = "CFG_NAVSPG_DYNMODEL"


def answers(listener, frame):
    """Messages said in answer to a command, NMEA left out."""
    return [
        message for message in understood(whole(listener.tell(frame))) if message.identity[:2] in ("AC", "CF", "MO")
    ]


def moved(listener, altitude_m):
    listener.bench.world.values["altitude_m"] = altitude_m


def said_fixes(listener, seconds):
    """GGA sentences of the next seconds that carry a position."""
    data = listener.listen(seconds)
    data = data[data.index(b"$") :]
    return [message for message in named(understood(whole(data)), "GNGGA") if message.lat != ""]


def test_scenario_and_receiver_know_the_same_behaviours():
    assert set(get_args(GnssBehaviour)) == set(BEHAVIOURS)
    assert all(len(sentence) > 10 for sentence in BEHAVIOURS.values())


def test_a_behaviour_nobody_knows_is_one_clear_line():
    with pytest.raises(InputError, match=r"gnss\.behaviour = .*sulks.*freezes_valid") as error:
        scenario_with("calm", gnss={"behaviour": "sulks"})
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("generation", ["m8", "m10"])
def test_refused_model_is_a_nak_and_the_model_stays(generation):
    listener = Listener(generation, behaviour="refuses_model")
    listener.quiet()
    if generation == "m8":
        assert [m.identity for m in answers(listener, check_frame("ubx.cfg_nav5.set6"))] == ["ACK-NAK"]
        model = answers(listener, check_frame("ubx.cfg_nav5.poll"))[0].dynModel
    else:
        assert [m.identity for m in answers(listener, UBXMessage.config_set(1, 0, [(MODEL_KEY, 6)]))] == ["ACK-NAK"]
        model = getattr(answers(listener, UBXMessage.config_poll(0, 0, [MODEL_KEY]))[0], MODEL_KEY)
    assert model == 0
    other = UBXMessage.config_set(1, 0, [("CFG_MSGOUT_UBX_NAV_PVT_UART1", 1)])
    if generation == "m10":
        assert [m.identity for m in answers(listener, other)] == ["ACK-ACK"]


@pytest.mark.parametrize("generation", ["m8", "m10"])
def test_wrong_reply_is_an_ack_and_another_model_read_back(generation):
    listener = Listener(generation, behaviour="wrong_reply")
    listener.quiet()
    if generation == "m8":
        assert [m.identity for m in answers(listener, check_frame("ubx.cfg_nav5.set6"))] == ["ACK-ACK"]
        assert answers(listener, check_frame("ubx.cfg_nav5.poll"))[0].dynModel == 0
    else:
        assert [m.identity for m in answers(listener, UBXMessage.config_set(1, 0, [(MODEL_KEY, 6)]))] == ["ACK-ACK"]
        assert getattr(answers(listener, UBXMessage.config_poll(0, 0, [MODEL_KEY]))[0], MODEL_KEY) == 0


@pytest.mark.parametrize("behaviour", ["no_reply", "nmea_only"])
def test_deaf_receivers_answer_nothing(behaviour):
    listener = Listener("nmea_only" if behaviour == "nmea_only" else "m8", behaviour=behaviour)
    assert answers(listener, check_frame("ubx.cfg_nav5.set6")) == []
    assert answers(listener, UBXMessage("MON", "MON-VER", POLL)) == []


def test_stops_at_eighteen_kilometres_in_airborne_mode_and_at_rest():
    listener = Listener(behaviour="stops_at_18_km")
    listener.tell(check_frame("ubx.cfg_nav5.set6"))
    listener.listen(15)
    moved(listener, 17990.0)
    assert len(said_fixes(listener, 5)) >= 4
    moved(listener, 18010.0)
    listener.listen(2)
    assert said_fixes(listener, 5) == []
    moved(listener, 17000.0)
    listener.listen(5)
    assert len(said_fixes(listener, 5)) >= 4


@pytest.mark.parametrize(("behaviour", "quality"), [("freezes", 0), ("freezes_valid", 1)])
@pytest.mark.parametrize("binary", [False, True])
def test_frozen_position_is_repeated_with_a_running_clock(behaviour, quality, binary):
    listener = Listener(behaviour=behaviour, freeze_above_m=500.0)
    if binary:
        listener.tell(check_frame("ubx.cfg_msg.pvt1"))
    listener.listen(20)
    moved(listener, 900.0)
    listener.listen(2)
    if binary:
        data = listener.listen(8)
        data = data[data.index(b"\xb5\x62") :]
        said = named(understood(whole(data)), "NAV-PVT")
        assert len({(m.lat, m.lon, m.hMSL) for m in said}) == 1 and {m.gnssFixOk for m in said} == {quality}
        assert abs(said[0].hMSL / 1000 - 412.0) < 30 and len({m.second for m in said}) == len(said) >= 5
    else:
        said = said_fixes(listener, 8)
        assert len({(m.lat, m.lon, m.alt) for m in said}) == 1 and {m.quality for m in said} == {quality}
        assert abs(said[0].alt - 412.0) < 30 and len({m.time for m in said}) == len(said) >= 5
    moved(listener, 450.0)
    listener.listen(2)
    assert len({(m.lat, m.alt) for m in said_fixes(listener, 6)}) > 1


def test_jumps_are_kilometres_off_short_and_repeat_with_the_seed():
    def heard(seed):
        listener = Listener("nmea_only", behaviour="jumps", seed=seed)
        listener.listen(20)
        return [(m.lat, m.lon, m.alt) for m in said_fixes(listener, 400)]

    first = heard(5)
    off = [abs(lat - 48.3127) * 111195 > 2000 or abs(lon - 67.4218) * 74000 > 2000 or abs(alt - 412) > 1000
           for lat, lon, alt in first]  # fmt: skip
    near = [abs(lat - 48.3127) * 111195 < 30 and abs(alt - 412) < 30 for lat, lon, alt in first]
    assert all(a or b for a, b in zip(off, near, strict=True))
    assert 5 <= sum(off) <= 60
    runs = "".join("x" if one else "." for one in off).replace(".", " ").split()
    assert max(map(len, runs)) <= 6  # two may follow each other
    assert heard(5) == first and heard(6) != first


def test_leap_seconds_come_with_the_almanac():
    listener = Listener("nmea_only", behaviour="no_leap_seconds", almanac_s=60.0, start_us=0)
    listener.listen(30)
    ahead_s = late(listener)
    assert 16.5 < ahead_s <= 18
    listener.listen(40)
    assert -1.5 < late(listener) <= 0


def late(listener):
    """By how much the newest RMC is ahead of the true time. [s]"""
    rmc = named(understood(whole(listener.said)), "GNRMC")[-1]
    now = START.timestamp() + listener.bench.clock.now_us / 1e6
    second = (rmc.time.hour * 60 + rmc.time.minute) * 60 + rmc.time.second
    return (second - now % 86400 + 43200) % 86400 - 43200


def test_date_is_1024_weeks_in_the_past_until_the_almanac():
    listener = Listener("nmea_only", behaviour="week_rollover", almanac_s=60.0)
    dates = [str(m.date) for m in named(understood(whole(listener.listen(70))), "GNRMC") if m.date]
    assert dates[0] == "2007-02-03" and dates[-1] == "2026-09-19"  # 7168 days apart, by Python's calendar
    assert set(dates) == {"2007-02-03", "2026-09-19"}


def test_clock_steps_and_steps_back():
    listener = Listener(
        "nmea_only", behaviour="time_step", time_step_at_s=30.0, time_step_for_s=20.0, time_step_s=7.0, start_us=0
    )
    ahead = []
    for _ in range(7):
        listener.listen(10)
        ahead.append(round(late(listener) + 0.7))
    assert ahead[2:] == [7, 7, 0, 0, 0] or ahead[2:] == [0, 7, 7, 0, 0]


def test_restarts_come_at_moments_of_the_seed_and_forget_the_settings():
    def heard(seed):
        listener = Listener(behaviour="restarts", seed=seed, restart_every_s=60.0)
        listener.tell(check_frame("ubx.cfg_nav5.set6"))
        listener.listen(100)
        return listener, listener.said.count(b"PROTVER")

    listener, greetings = heard(3)
    assert greetings >= 2 and listener.receiver.configuration.values["model"] == 0
    assert heard(3)[0].said == listener.said and heard(4)[0].said != listener.said

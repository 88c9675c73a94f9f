"""States of a receiver as the driver tells them: no answer, no fix, fix, limit; what is flagged and what is said."""

import pytest

from firmware.drivers.gnss import GnssReceiver
from shared_protocol import events
from shared_protocol.records import FLAG_FROZEN, FLAG_JUMP, FLAG_LIMIT
from tests.firmware.gnss_fake_receiver import Bench
from tests.firmware.test_gnss_epoch import sol


def bench(**settings):
    return Bench(GnssReceiver, **settings)


def test_a_silent_line_is_no_answer_and_said_once():
    box = bench(mute=True)
    box.run(120)
    assert box.states == [events.GNSS_NO_ANSWER]
    assert [event[1:] for event in box.events if event[1] == events.GNSS_STATE] == [(events.GNSS_STATE, 0, -1)]


def test_no_fix_and_fix_are_told_apart():
    box = bench(fix=False)
    box.run(20)
    box.receiver.fix = True
    box.run(20)
    box.receiver.mute = True
    box.run(20)
    assert box.states == [events.GNSS_NO_ANSWER, events.GNSS_NO_FIX, events.GNSS_FIX, events.GNSS_NO_ANSWER]
    assert [a for _, code, a, _ in box.events if code == events.GNSS_STATE] == [1, 2, 0]


class Line:
    """A UART on which NAV-SOL comes, once a second."""

    def __init__(self):
        self.waiting = b""

    def any(self):
        return len(self.waiting)

    def readinto(self, buf, count):
        buf[:count], self.waiting = self.waiting[:count], self.waiting[count:]
        return count

    def write(self, data):
        return len(data)

    def init(self, baudrate):
        pass


def test_rows_of_coordinates_without_a_fix_are_no_fix():
    line, rows = Line(), []
    driver = GnssReceiver(line, 9600, 6)
    for tick in range(400):
        if tick % 10 == 0:
            line.waiting += sol(tick // 10, ok=tick >= 200)
        driver.poll(100 * tick)
        driver.event_code = 0
        if driver.ecef_ready:
            rows.append(driver.ecef.fix_type)
            driver.ecef_ready = False
        if tick == 190:
            assert driver.state == events.GNSS_NO_FIX
    assert driver.state == events.GNSS_FIX
    assert rows.count(0) == 20 and rows.count(3) >= 18


@pytest.mark.parametrize("silent", [True, False])
def test_a_fix_lost_at_the_default_limit_is_the_altitude_limit(silent):
    box = bench(kind="nmea", altitude_m=11700.0)
    box.driver.pressure_altitude_m = 11650
    box.run(60, climb_mps=5)
    box.driver.pressure_altitude_m = 12000
    box.receiver.fix = False
    box.receiver.mute = silent
    box.run(20)
    assert box.driver.state == events.GNSS_ALTITUDE_LIMIT
    states = [event[1:] for event in box.events if event[1] == events.GNSS_STATE]
    assert states[-1] == (events.GNSS_STATE, events.GNSS_ALTITUDE_LIMIT, 12000)
    box.driver.pressure_altitude_m = 9000  # below it, the limit is no reason any more
    box.run(5)
    assert box.driver.state in (events.GNSS_NO_FIX, events.GNSS_NO_ANSWER)


def test_a_fix_lost_elsewhere_is_just_lost():
    box = bench(altitude_m=15000.0)
    box.driver.pressure_altitude_m = 15000
    box.run(30)
    box.receiver.fix = False
    box.run(20)
    assert box.driver.state == events.GNSS_NO_FIX


def test_a_fix_lost_at_twelve_thousand_metres_in_airborne_mode_is_just_lost():
    box = bench(altitude_m=12000.0)
    box.driver.pressure_altitude_m = 12000
    box.run(30)
    assert box.receiver.model == 6
    box.receiver.fix = False
    box.run(20)
    assert box.driver.state == events.GNSS_NO_FIX


def test_a_position_that_is_repeated_while_the_pressure_falls_is_frozen():
    box = bench(altitude_m=18000.0)
    box.driver.pressure_altitude_m = 18000
    box.run(30)
    assert not any(flags for _, _, _, flags in box.rows)
    box.receiver.frozen = True
    for second in range(40):
        box.driver.pressure_altitude_m = 18000 + 5 * second
        box.run(1)
    assert box.rows[-1][3] & FLAG_FROZEN
    assert box.driver.state == events.GNSS_ALTITUDE_LIMIT
    box.receiver.frozen = False
    box.run(5)
    assert not box.rows[-1][3]
    assert box.driver.state == events.GNSS_FIX


def test_a_position_that_is_repeated_on_the_ground_is_no_fault():
    for height in (450, None):  # or without a barometer
        box = bench(frozen=True)
        box.driver.pressure_altitude_m = height
        box.run(40)
        assert not any(flags for _, _, _, flags in box.rows)
        assert box.driver.state == events.GNSS_FIX


@pytest.mark.parametrize(("kind", "protocol", "limit_m"), [("m8", 1800, 50000), ("m10", 3410, 80000)])
def test_the_generation_decides_how_high_the_airborne_model_reaches(kind, protocol, limit_m):
    box = bench(kind=kind)
    box.run(400)
    identified = [event[1:] for event in box.events if event[1] == events.GNSS_IDENTIFIED]
    assert identified == [(events.GNSS_IDENTIFIED, protocol, limit_m)]


@pytest.mark.parametrize("kind", ["m8", "m10"])
def test_a_silence_is_explained_by_the_airborne_limit_of_the_generation(kind):
    limit_m = 50000 if kind == "m8" else 80000
    box = bench(kind=kind, altitude_m=limit_m - 300.0)
    for second in range(120):
        box.driver.pressure_altitude_m = limit_m - 300 + 5 * second
        box.receiver.fix = second < 60
        box.run(1, climb_mps=5)
    assert [event[1:3] for event in box.events if event[1] == events.GNSS_LIMIT_AIRBORNE] == [
        (events.GNSS_LIMIT_AIRBORNE, limit_m)
    ]


def test_rows_without_a_fix_at_the_limit_are_flagged():
    box = bench(kind="nmea", altitude_m=11800.0)
    for second in range(100):
        box.driver.pressure_altitude_m = 11800 + 5 * second
        box.receiver.fix = second < 40
        box.run(1, climb_mps=5)
    assert box.driver.state == events.GNSS_ALTITUDE_LIMIT
    assert box.rows[-1][1] == 0 and box.rows[-1][3] == FLAG_LIMIT
    assert not any(flags for _, fix_type, _, flags in box.rows if fix_type)


def test_a_jump_is_flagged_and_said_once_a_minute():
    box = bench(altitude_m=15000.0)
    box.run(30)
    for _ in range(20):
        box.receiver.altitude_m += 5000.0
        box.run(1)
        box.receiver.altitude_m -= 5000.0
        box.run(4)
    jumps = [event for event in box.events if event[1] == events.GNSS_JUMP]
    assert sum(bool(flags & FLAG_JUMP) for _, _, _, flags in box.rows) == 20
    assert len(jumps) == 2 and jumps[0][2:] == (5000, 0)
    assert jumps[1][0] - jumps[0][0] >= 60000


def test_a_time_step_is_said_and_the_model_read_back():
    box = bench()
    box.run(40)
    box.receiver.commands.clear()
    box.receiver.day_ms -= 18000
    box.run(3)
    assert [event[1:] for event in box.events if event[1] == events.GNSS_TIME_STEP] == [
        (events.GNSS_TIME_STEP, 0, -18000)
    ]
    assert box.receiver.commands[0][1] == "CFG-NAV5"


def test_after_a_restart_the_default_model_is_what_counts_until_another_is_read_back():
    box = bench(altitude_m=11800.0)
    box.driver.pressure_altitude_m = 11800
    box.run(30)
    box.receiver.deaf = True  # its ear does not survive the restart
    box.receiver.restart()
    for second in range(120):
        box.driver.pressure_altitude_m = 11800 + 5 * second
        box.receiver.fix = 5 < second < 40
        box.run(1, climb_mps=5)
    assert [event[1:3] for event in box.events if event[1] == events.GNSS_LIMIT_DEFAULT] == [
        (events.GNSS_LIMIT_DEFAULT, 12000)
    ]


def test_a_restart_near_eighteen_kilometres_is_not_taken_for_a_limit():
    box = bench(altitude_m=17800.0)
    box.driver.pressure_altitude_m = 17800
    box.run(30)
    box.receiver.restart()
    box.receiver.fix = False
    for second in range(45):
        box.driver.pressure_altitude_m = 17800 + 5 * second
        box.run(1, climb_mps=5)
    assert box.driver.state == events.GNSS_NO_FIX
    assert events.GNSS_LIMIT_FIXED not in box.codes()

"""What the phase logic hears of the receiver, and what the receiver's watch hears of the barometer."""

import pytest

from firmware.core.gnss_rows import Ecef, Fix
from firmware.core.phase import Phase
from firmware.tasks.gnss import GnssTask
from shared_protocol.records import FIX_2D, FIX_3D, FLAG_ASSUMED_DATE, FLAG_FROZEN, FLAG_JUMP


class Journal:
    def __init__(self):
        self.put_count = 0

    def event(self, *_details):
        pass

    def put(self, _frame, _t_ms):
        self.put_count += 1


class Receiver:
    """Gives one row and is done."""

    def __init__(self):
        self.fix, self.ecef = Fix(), Ecef()
        self.fix_ready = self.ecef_ready = False
        self.event_code = 0

    def poll(self, _now_ms):
        pass


def after(kind, flags, altitude_m=15000):
    receiver, journal = Receiver(), Journal()
    task = GnssTask(journal, receiver)
    receiver.fix.fix_type, receiver.fix.flags, receiver.fix.altitude = kind, flags, altitude_m * 1000
    receiver.fix_ready = True
    task.step(7000)
    assert journal.put_count == 1  # written, whatever is to be thought of it
    return task.altitude_m, task.fix_ms


@pytest.mark.parametrize("flags", [0, FLAG_ASSUMED_DATE])
def test_a_live_fix_is_for_the_phase_logic(flags):
    assert after(FIX_3D, flags) == (15000, 7000)


@pytest.mark.parametrize(("kind", "flags"), [(FIX_3D, FLAG_FROZEN), (FIX_3D, FLAG_JUMP), (FIX_2D, 0)])
def test_a_height_that_is_not_ours_is_not(kind, flags):
    assert after(kind, flags) == (0, -1)


def test_rows_left_out_after_landing_are_not_left_out_after_a_launch():
    receiver, journal = Receiver(), Journal()
    task = GnssTask(journal, receiver)
    task.thinning = 10
    for second in range(3):
        receiver.fix_ready = receiver.ecef_ready = True
        task.step(1000 * second)
    assert journal.put_count == 2
    task.thinning = 1
    for second in range(3, 6):
        receiver.fix_ready = receiver.ecef_ready = True
        task.step(1000 * second)
    assert journal.put_count == 8


def fed(seconds, raw_of=lambda second: second):
    phase = Phase()
    for second in range(seconds):
        phase.add_pressure(90000 - 10 * second, raw_of(second), second)
    return phase


def test_pressure_altitude_is_known_after_some_seconds_and_not_before():
    assert Phase().pressure_altitude_m(0) is None
    assert fed(3).pressure_altitude_m(3) is None
    assert 900 < fed(30).pressure_altitude_m(30) < 1200


def test_pressure_altitude_of_a_silent_barometer_is_not_known():
    phase = fed(30)
    assert phase.pressure_altitude_m(44) is not None
    assert phase.pressure_altitude_m(45) is None


def test_pressure_altitude_of_a_barometer_that_repeats_itself_is_not_known():
    assert fed(40, lambda _second: 7).pressure_altitude_m(40) is None

"""States of a receiver and the limit that explains a silence; rows fed by hand, once a second."""

import pytest

from firmware.core.gnss_rows import Fix
from firmware.core.gnss_watch import GnssWatch
from shared_protocol import events
from shared_protocol.records import FIX_3D, FIX_NONE, FLAG_FROZEN, FLAG_JUMP, UNKNOWN_I32


class Climb:
    """A box that climbs at 5 m/s with a receiver that says what it is told to; `said` are the reasons given."""

    def __init__(self, altitude_m, model=6, pressure=True, airborne_limit_m=50000):
        self.watch = GnssWatch()
        self.watch.airborne_limit_m = airborne_limit_m
        self.altitude_m = altitude_m
        self.model = model
        self.pressure = pressure
        self.now_ms = 1000
        self.said = []
        self.states = []

    def run(self, seconds, has_fix=True, climb_mps=5, place=None, speed_mmps=0, flags=0):
        """Rows for so many seconds; the last row's flags."""
        fix = Fix()
        for _ in range(seconds):
            self.now_ms += 1000
            self.altitude_m += climb_mps
            fix.clear()
            height = self.altitude_m if self.pressure else None
            if has_fix:
                fix.fix_type = FIX_3D
                fix.latitude, fix.longitude, fix.altitude = place or (self.now_ms, 115000000, self.altitude_m * 1000)
                fix.speed = speed_mmps
                fix.flags = flags
            self.watch.answered(self.now_ms)
            self.watch.see(fix, height, self.now_ms)
            if self.watch.look(height, self.model, self.now_ms):
                self.states.append(self.watch.state)
            if self.watch.reason:
                self.said.append((self.watch.reason, self.watch.reason_a, self.watch.reason_b))
                self.watch.reason = 0
        return fix.flags


@pytest.mark.parametrize(("limit_m", "model", "airborne_m", "code", "detail"), [
    (12000, 0, 50000, events.GNSS_LIMIT_DEFAULT, None),
    (12000, -1, 50000, events.GNSS_LIMIT_DEFAULT, None),
    (9000, 3, 50000, events.GNSS_LIMIT_MODEL, 3),
    (50000, 6, 50000, events.GNSS_LIMIT_AIRBORNE, None),
    (50000, 8, 50000, events.GNSS_LIMIT_AIRBORNE, None),
    (80000, 6, 80000, events.GNSS_LIMIT_AIRBORNE, None),
    (18000, 6, 80000, events.GNSS_LIMIT_FIXED, None),
    (18000, -1, 80000, events.GNSS_LIMIT_FIXED, None),
])  # fmt: skip
def test_silence_at_a_limit_names_the_limit_once(limit_m, model, airborne_m, code, detail):
    climb = Climb(limit_m - 300, model, airborne_limit_m=airborne_m)
    climb.run(60)
    climb.run(300, has_fix=False)
    assert climb.states == [events.GNSS_FIX, events.GNSS_NO_FIX, events.GNSS_ALTITUDE_LIMIT]
    assert len(climb.said) == 1 and climb.said[0][:2] == (code, limit_m)
    assert climb.said[0][2] == detail if detail is not None else limit_m < climb.said[0][2] < limit_m + 200
    climb.run(2)
    assert climb.watch.state == events.GNSS_FIX and len(climb.said) == 1


def test_a_newer_receiver_lost_at_fifty_kilometres_is_at_no_limit_of_its_own():
    climb = Climb(49700, 6, airborne_limit_m=80000)
    climb.run(60)
    climb.run(60, has_fix=False)
    assert climb.states[-1] == events.GNSS_NO_FIX
    assert [code for code, _, _ in climb.said] == [events.GNSS_LOST_HIGH]


def test_a_fix_lost_in_the_fall_past_a_limit_is_just_lost():
    climb = Climb(12600, 0)
    climb.run(20, climb_mps=-30)
    climb.run(60, has_fix=False, climb_mps=-30)
    assert events.GNSS_ALTITUDE_LIMIT not in climb.states and climb.said == []


def test_a_limit_ends_when_the_pressure_says_that_the_box_is_far_below_it():
    climb = Climb(11700, 0)
    climb.run(60)
    climb.run(200, has_fix=False)
    climb.run(100, has_fix=False, climb_mps=-40)
    assert climb.states[-2:] == [events.GNSS_ALTITUDE_LIMIT, events.GNSS_NO_FIX]
    assert len(climb.said) == 1


def test_without_a_barometer_the_limit_is_likely_and_no_more():
    climb = Climb(11700, 0, pressure=False)
    climb.run(60)
    climb.run(60, has_fix=False)
    assert climb.states[-1] == events.GNSS_ALTITUDE_LIMIT
    assert climb.said == [(events.GNSS_LIMIT_LIKELY, 12000, -1)]


def test_a_board_that_starts_above_the_limit_waits_a_minute_before_it_says_so():
    climb = Climb(14000, 0)
    climb.run(50, has_fix=False)
    assert climb.said == [] and climb.watch.state == events.GNSS_NO_FIX
    climb.run(30, has_fix=False)
    assert climb.watch.state == events.GNSS_ALTITUDE_LIMIT
    assert [event[:2] for event in climb.said] == [(events.GNSS_LIMIT_LIKELY, 12000)]


def test_a_board_that_starts_high_with_an_airborne_receiver_claims_nothing_while_it_searches():
    climb = Climb(25000, -1)
    climb.run(5, has_fix=False)
    climb.model = 6
    climb.run(35, has_fix=False)
    climb.run(10)
    assert climb.states == [events.GNSS_NO_FIX, events.GNSS_FIX] and climb.said == []


def test_a_restart_of_the_receiver_at_eighteen_kilometres_is_no_limit():
    climb = Climb(17800, 6)
    climb.run(40)
    climb.watch.restarted(climb.now_ms)
    climb.run(45, has_fix=False)
    assert climb.states[-1] == events.GNSS_NO_FIX and climb.said == []


def test_a_jump_to_a_limits_height_before_a_silence_does_not_make_it_the_limit():
    climb = Climb(15000, 6)
    climb.run(30)
    climb.run(1, place=(5, 6, 18000000), flags=FLAG_JUMP)
    climb.run(60, has_fix=False)
    assert [code for code, _, _ in climb.said] == [events.GNSS_LOST_HIGH]


# --- frozen -----------------------------------------------------------------------------------------------------------

HERE = (481173000, 115166667, 450000)


def test_the_same_position_while_the_pressure_altitude_changes_is_frozen():
    climb = Climb(450)
    climb.run(20)
    assert climb.run(15, place=HERE) == 0  # 75 m: a front could do that
    assert climb.run(10, place=HERE) == FLAG_FROZEN
    assert climb.states[-1] == events.GNSS_ALTITUDE_LIMIT
    assert climb.said == [(events.GNSS_FROZEN, 450, 20)]
    assert climb.run(1) == 0 and climb.states[-1] == events.GNSS_FIX


def test_the_same_position_above_nine_kilometres_is_frozen_without_any_pressure():
    climb = Climb(14000, pressure=False)
    place = (481173000, 115166667, 14000000)
    assert climb.run(10, place=place) == 0
    assert climb.run(1, place=place) == FLAG_FROZEN


def test_the_same_position_of_a_receiver_that_says_it_moves_is_frozen():
    climb = Climb(450, pressure=False)
    assert climb.run(11, place=HERE, speed_mmps=2500) == FLAG_FROZEN


def test_the_same_position_at_rest_is_no_fault():
    climb = Climb(450)
    assert climb.run(3600, place=HERE, climb_mps=0) == 0
    assert climb.states == [events.GNSS_FIX]


def test_rows_without_a_fix_are_not_frozen():
    fix = Fix()
    watch = GnssWatch()
    for second in range(40):
        watch.see(fix, 10000 + 10 * second, 1000 * second)
    assert fix.fix_type == FIX_NONE and not fix.flags and fix.altitude == UNKNOWN_I32

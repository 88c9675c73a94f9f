"""When a chip counts as lost, how often it is tried again, and what the log hears of it."""

import pytest

from firmware.core.supervisor import Supervisor
from firmware.status import AFTER_RESET, BUS_FAULT, CRC_FAULT, OK
from shared_protocol import events
from shared_protocol.records import FLAG_AFTER_RESET, FLAG_BUS_ERROR, FLAG_FROZEN


class Journal:
    """Writes down the codes of events."""

    def __init__(self):
        self.bus_errors = 0
        self.news = 0
        self.buses_freed = 0
        self.told = []

    def event(self, t_ms, code, source, unit=0, a=0, b=0):
        self.told.append((t_ms, code, a, b))


class Chip:
    def __init__(self):
        self.status = OK
        self.begun_ms = []
        self.now_ms = 0

    def begin(self):
        self.begun_ms.append(self.now_ms)
        return self.status


@pytest.fixture
def chip():
    return Chip()


@pytest.fixture
def journal():
    return Journal()


@pytest.fixture
def supervisor(journal, chip):
    return Supervisor(journal, chip.begin, events.POWER_METER, 0, 0x40)


def let_pass(supervisor, chip, start_ms, end_ms):
    """Ask every 100 ms whether the chip is ready."""
    for now_ms in range(start_ms, end_ms, 100):
        chip.now_ms = now_ms
        supervisor.ready(now_ms)


def test_present_missing_and_refused_are_told_apart(chip, journal):
    for status in (OK, BUS_FAULT, CRC_FAULT):
        chip.status = status
        supervisor = Supervisor(journal, chip.begin, events.POWER_METER, 0, 0x40)
        assert supervisor.power_up(0) == supervisor.present == (status == OK)
    assert [entry[1] for entry in journal.told] == [events.CHIP_PRESENT, events.CHIP_MISSING, events.CHIP_REFUSED]


def test_a_missing_chip_is_tried_again_every_few_seconds_less_often_as_time_goes_on(supervisor, chip):
    chip.status = BUS_FAULT
    supervisor.power_up(0)
    let_pass(supervisor, chip, 100, 60000)
    gaps = [later - earlier for earlier, later in zip(chip.begun_ms, chip.begun_ms[1:], strict=False)]
    assert gaps[0] == 2000 and max(gaps) == 8000 and gaps == sorted(gaps)
    assert 8 <= len(gaps) <= 12


def test_two_failures_are_forgiven_and_three_lose_the_chip(supervisor, chip, journal):
    supervisor.power_up(0)
    supervisor.good(0)
    for _ in range(2):
        supervisor.bad(100, BUS_FAULT)
    assert supervisor.good(200) & FLAG_BUS_ERROR
    assert supervisor.present
    for _ in range(3):
        supervisor.bad(300, BUS_FAULT)
    assert not supervisor.present
    assert journal.bus_errors == 5
    assert journal.told[-1] == (300, events.CHIP_LOST, BUS_FAULT, 2)


def test_a_chip_is_back_with_its_first_good_reading_and_that_is_flagged(supervisor, chip, journal):
    supervisor.power_up(0)
    supervisor.good(0)
    supervisor.lost(1000, BUS_FAULT)
    assert supervisor.ready(1000)
    assert journal.told[-1][1] == events.CHIP_LOST
    assert supervisor.good(4000) & FLAG_AFTER_RESET
    assert journal.told[-1] == (4000, events.CHIP_BACK, 3, 0)
    assert supervisor.good(4100) == 0


def test_a_chip_that_starts_and_gives_no_reading_is_told_of_once_and_tried_less_and_less(supervisor, chip, journal):
    supervisor.power_up(0)
    supervisor.good(0)
    supervisor.lost(0, BUS_FAULT)
    for now_ms in range(0, 60000, 100):
        chip.now_ms = now_ms
        if supervisor.ready(now_ms):
            supervisor.bad(now_ms, BUS_FAULT)
    assert [entry[1] for entry in journal.told] == [events.CHIP_PRESENT, events.CHIP_LOST]
    assert len(chip.begun_ms) <= 14


def test_readings_that_fail_now_and_then_are_a_disturbed_chip_until_they_do_not(supervisor, journal, chip):
    supervisor.power_up(0)
    journal.told.clear()
    flags = []
    for turn in range(60):  # every fourth fails: never three in a row
        if turn % 4 == 3:
            supervisor.bad(turn * 100, CRC_FAULT)
        else:
            flags.append(supervisor.good(turn * 100))
    assert [entry[1] for entry in journal.told] == [events.CHIP_DISTURBED]
    assert all(flag & FLAG_BUS_ERROR for flag in flags[20:])  # good ones too, for who can tell
    for turn in range(60, 120):
        supervisor.good(turn * 100)
    assert [entry[1] for entry in journal.told] == [events.CHIP_DISTURBED, events.CHIP_STEADY]
    assert journal.told[1][3] == 11  # wrong answers, of fifteen; four went before it was said
    assert supervisor.good(13_000) == 0


def test_a_failure_once_in_a_while_is_no_disturbance(supervisor, journal, chip):
    supervisor.power_up(0)
    journal.told.clear()
    for turn in range(3000):
        if turn % 12 == 11:
            supervisor.bad(turn * 100, CRC_FAULT)
        else:
            supervisor.good(turn * 100)
    assert journal.told == []


def test_a_chip_that_restarted_is_told_apart_from_one_that_is_lost(supervisor, journal, chip):
    supervisor.power_up(0)
    supervisor.good(100)
    journal.told.clear()
    supervisor.lost(200, AFTER_RESET)
    assert journal.told == [(200, events.CHIP_RESTARTED, AFTER_RESET, 1)]
    assert supervisor.ready(200)  # begun again at once
    supervisor.lost(300, AFTER_RESET)
    assert journal.told[-1] == (300, events.CHIP_LOST, AFTER_RESET, 1)  # that did not help: lost, said once
    for now_ms in range(400, 60_000, 100):
        if supervisor.ready(now_ms):
            supervisor.lost(now_ms, AFTER_RESET)
    assert len(journal.told) == 2
    assert len(chip.begun_ms) < 14


def test_a_bus_that_is_free_again_is_a_reason_to_try_at_once(supervisor, journal, chip):
    supervisor.power_up(0)
    chip.status = BUS_FAULT
    supervisor.lost(100, BUS_FAULT)
    for now_ms in range(200, 40_000, 100):
        supervisor.ready(now_ms)
    tries = len(chip.begun_ms)
    journal.buses_freed += 1
    chip.status = OK
    assert supervisor.ready(40_000) and len(chip.begun_ms) == tries + 1


def test_frozen_and_moving_again_are_said_once_each(supervisor, journal, chip):
    supervisor.power_up(0)
    journal.told.clear()
    assert supervisor.frozen(1000, 0) == 0
    assert [supervisor.frozen(1000 + k, 30 + k) for k in range(3)] == [FLAG_FROZEN] * 3
    assert supervisor.frozen(9000, 0) == 0
    assert journal.told == [(1000, events.CHIP_FROZEN, 30, 0), (9000, events.CHIP_MOVES, 8, 0)]

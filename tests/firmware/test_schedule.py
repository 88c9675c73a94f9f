"""The loop: order, fixed periods, isolation of a failing task, the watchdog, and a tick counter that wraps."""

import pytest

from firmware.core.schedule import Clock, Schedule, next_slot
from tests.firmware.fakes import TICKS_PERIOD, Stop, VirtualTime


class Loop:
    """A schedule on virtual time that writes down who ran when."""

    def __init__(self, ticks=0):
        self.time = VirtualTime(ticks)
        self.calls = []
        self.errors = []
        clock = Clock(self.time.ticks_ms, self.time.ticks_diff)
        self.schedule = Schedule(
            clock, self.time.sleep_ms, lambda: self.calls.append(("fed", self.time.ms)), self._on_error
        )

    def _on_error(self, now_ms, number, error):
        self.errors.append((now_ms, number, str(error)))

    def task(self, name, period_ms, lasts_ms=0, fails=False):
        slot = 0

        def step(now_ms):
            nonlocal slot
            self.calls.append((name, now_ms))
            self.time.ms += lasts_ms
            if fails:
                raise ValueError("broken")
            slot = next_slot(slot, period_ms, now_ms)
            return slot

        self.schedule.add(step, 0)

    def run(self, ms):
        self.time.stop_ms = self.time.ms + ms
        with pytest.raises(Stop):
            self.schedule.run()

    def times(self, name):
        return [when for who, when in self.calls if who == name]


def test_tasks_keep_their_grid():
    loop = Loop()
    loop.task("fast", 100)
    loop.task("slow", 250)
    loop.run(1000)
    assert loop.times("fast") == list(range(0, 1000, 100))
    assert loop.times("slow") == [0, 250, 500, 750]


def test_due_tasks_run_in_the_order_in_which_they_were_added():
    loop = Loop()
    loop.task("first", 100)
    loop.task("second", 100)
    loop.run(150)
    assert [who for who, _ in loop.calls] == ["first", "second", "fed"] * 2


def test_a_long_step_delays_the_others_but_not_their_grid_and_they_are_told_the_true_time():
    loop = Loop()
    loop.task("long", 1000, lasts_ms=330)
    loop.task("short", 100)
    loop.run(900)
    assert loop.times("short") == [330, 400, 500, 600, 700, 800]
    assert loop.schedule.turn_ms_max == 330


def test_a_failing_task_is_reported_and_tried_again_a_second_later_while_the_others_go_on():
    loop = Loop()
    loop.task("bad", 100, fails=True)
    loop.task("good", 100)
    loop.run(2500)
    assert loop.times("bad") == [0, 1000, 2000]
    assert loop.errors == [(0, 0, "broken"), (1000, 0, "broken"), (2000, 0, "broken")]
    assert loop.times("good") == list(range(0, 2500, 100))


def test_a_reporter_that_fails_itself_does_not_stop_the_loop():
    loop = Loop()

    def on_error(now_ms, number, error):
        raise RuntimeError

    loop.schedule._on_error = on_error
    loop.task("bad", 100, fails=True)
    loop.task("good", 100)
    loop.run(500)
    assert len(loop.times("good")) == 5


def test_the_watchdog_is_fed_once_a_turn_after_every_due_task():
    loop = Loop()
    loop.task("one", 100)
    loop.task("two", 300, lasts_ms=5)
    loop.run(1000)
    turns = "".join("F" if who == "fed" else "t" for who, _ in loop.calls)
    assert "FF" not in turns
    assert turns.endswith("F")


def test_a_hung_task_starves_the_watchdog():
    loop = Loop()

    def hang(_now_ms):
        raise Stop

    loop.schedule.add(hang, 50)
    loop.task("one", 100)
    with pytest.raises(Stop):
        loop.schedule.run()
    assert loop.times("fed") == [0]


@pytest.mark.parametrize("before", [0, 1, 37, 250, 999])
def test_nothing_happens_when_the_tick_counter_wraps(before):
    loop = Loop(ticks=TICKS_PERIOD - before)
    loop.task("fast", 100)
    loop.run(2000)
    assert loop.times("fast") == list(range(0, 2000, 100))


def test_time_since_boot_grows_past_several_wraps():
    time = VirtualTime(12345)
    clock = Clock(time.ticks_ms, time.ticks_diff)
    for day in range(1, 60):
        time.ms = day * 86400000
        assert clock.now() == day * 86400000
    assert clock.t_ms > 4 * TICKS_PERIOD


def test_a_slot_is_the_first_on_its_grid_after_now_wherever_the_last_one_was():
    for period in (1, 7, 100):
        for last in range(-300, 300, 3):
            for now in range(-50, 50):
                slot = next_slot(last, period, now)
                assert now < slot <= now + period
                assert (slot - last) % period == 0


def test_who_rests_can_be_woken_and_goes_on_in_the_grid_of_its_new_period():
    loop = Loop()
    loop.task("other", 100)
    period = 5000
    slot = 0

    def step(now_ms):
        nonlocal slot
        loop.calls.append(("slow", now_ms))
        slot = next_slot(slot, period, now_ms)
        return slot

    loop.schedule.add(step, 0)
    loop.run(1250)
    period = 500
    loop.schedule.wake_by(loop.time.ms + 10)
    loop.run(2000)
    assert loop.times("slow") == [0, 1310, 1500, 2000, 2500, 3000]


def test_missed_slots_are_not_made_up_for():
    assert next_slot(0, 100, 0) == 100
    assert next_slot(0, 100, 99) == 100
    assert next_slot(0, 100, 100) == 200
    assert next_slot(0, 100, 1234) == 1300

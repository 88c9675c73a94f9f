"""The clock and the one cooperative loop: who is due, in which order, and when to sleep.

A task is a `step(now_ms)` that does one short thing and says when it wants its next turn (milliseconds since boot).
One turn of the loop gives every due task one step, in the order in which they were added, and then feeds the watchdog;
so a hung task starves the watchdog, and a failing one (an exception) costs only itself: it is reported, waits a second,
and is called again. What may allocate happens in the pause that is left: memory is tidied there, never in a step.
"""

import gc

from shared_protocol.compat import const

_IDLE_MS_MAX = const(1000)  # the loop looks around at least this often, whatever the tasks say
_AFTER_ERROR_MS = const(1000)
_COLLECT_EVERY_MS = const(30000)  # CRCs and some products are objects on 32 bits, 0.8 kB a second: 25 kB by then
_COLLECT_PAUSE_MS = const(40)  # a collection takes up to 35 ms on the slowest board we know


class Clock:
    """Milliseconds since the clock was made, grown from a tick counter that wraps around (at 2**30 on boards).

    `ticks_ms` and `ticks_diff` are those of MicroPython's `time`. now() must be called once in half a wrap (6 days).
    """

    def __init__(self, ticks_ms, ticks_diff):
        self._ticks_ms = ticks_ms
        self._ticks_diff = ticks_diff
        self._ticks = ticks_ms()
        self.t_ms = 0

    def now(self) -> int:
        """Milliseconds since boot; the wrap of the tick counter does not show."""
        ticks = self._ticks_ms()
        t_ms = self.t_ms + self._ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        self.t_ms = t_ms
        return t_ms


def next_slot(slot_ms: int, period_ms: int, now_ms: int) -> int:
    """The first time after `now_ms` on the grid `slot_ms + k x period_ms`: what was missed is not made up for.

    `slot_ms` may lie ahead, too: of a task that was woken before its time, because its period has become shorter.
    """
    ahead_ms = slot_ms - now_ms
    if 0 >= ahead_ms > -period_ms:  # as a rule
        return slot_ms + period_ms
    return now_ms + period_ms + ahead_ms % -period_ms


class Schedule:
    """Calls the tasks. `feed` is the watchdog's; `on_error(now_ms, task_number, error)` hears of a failed step."""

    def __init__(self, clock: Clock, sleep_ms, feed, on_error):
        self._now = clock.now  # bound once: each `clock.now` is a new object
        self._sleep_ms = sleep_ms
        self._feed = feed
        self._on_error = on_error
        self._steps: list = []
        self._due_ms: list = []
        self._repairs: list = []
        self._next_collect_ms = _COLLECT_EVERY_MS
        self.turn_ms_max = 0  # longest turn; whoever reports it sets it back to 0
        self.heap_free = 0  # bytes, as the latest collection left them; 0 on CPython
        self.tidy()

    def add(self, step, first_ms: int) -> int:
        """Add a task, to be called at `first_ms` for the first time; the number it is known by."""
        self._steps.append(step)
        self._due_ms.append(first_ms)
        return len(self._steps) - 1

    def wake_by(self, at_ms: int) -> None:
        """Let nobody rest beyond `at_ms`, for whoever has a shorter period now; a task called early does no harm."""
        due_ms = self._due_ms
        for number in range(len(due_ms)):
            if due_ms[number] > at_ms:
                due_ms[number] = at_ms

    def add_repair(self, step) -> None:
        """Call `step(now_ms)` after every turn, for what must not come between two tasks of one turn."""
        self._repairs.append(step)

    def tidy(self) -> None:
        """Collect garbage and note what is free."""
        gc.collect()
        if hasattr(gc, "mem_free"):
            self.heap_free = gc.mem_free()

    def turn(self) -> int:
        """Give every due task its step, feed the watchdog, and return how long nobody is due. [ms]"""
        now = self._now
        steps = self._steps
        due_ms = self._due_ms
        begun = at = now()
        nearest = begun + _IDLE_MS_MAX
        for number in range(len(steps)):
            due = due_ms[number]
            if due <= at:
                at = now()  # the task before may have taken long, and readings carry this time
                try:
                    due = steps[number](at)
                except Exception as error:
                    due = at + _AFTER_ERROR_MS
                    self._report(at, number, error)
                due_ms[number] = due
            if due < nearest:
                nearest = due
        for repair in self._repairs:
            repair(now())
        self._feed()
        at = now()
        if at - begun > self.turn_ms_max:
            self.turn_ms_max = at - begun
        pause = nearest - at
        if pause >= _COLLECT_PAUSE_MS and at >= self._next_collect_ms:
            self._next_collect_ms = at + _COLLECT_EVERY_MS
            self.tidy()
            pause = nearest - now()
        return pause if pause > 0 else 0

    def run(self) -> None:
        """Turn for ever."""
        turn = self.turn
        sleep_ms = self._sleep_ms
        while True:
            pause = turn()
            if pause:
                sleep_ms(pause)

    def _report(self, now_ms, number, error):
        try:
            self._on_error(now_ms, number, error)
        except Exception:
            pass  # nothing is left to tell it to, and the loop must go on

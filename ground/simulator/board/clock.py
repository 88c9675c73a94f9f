"""World time in whole microseconds, alarms on it, and the ways in which a boot can end.

Nothing here waits: time passes because somebody says so (a sleep, a bus transfer, a card write). An alarm is a
function to call when world time reaches a moment; power cuts, the watchdog, faults and progress lines are alarms.
The hot path is one addition and one comparison, because the firmware's loop goes through it a thousand times for
each simulated second.

An ending is a `BaseException`, so that the firmware, which catches `Exception` at most, cannot swallow it. Once a
boot has ended the clock stands still: each further call raises the same ending again, so that no `finally` block of
the firmware lives longer than its supply.
"""

NEVER_US = 1 << 60
TICKS_PERIOD = 1 << 30  # ticks_ms and ticks_us wrap here on boards with 31-bit small integers (MicroPython, `time`)
_HALF_PERIOD = TICKS_PERIOD >> 1
_CALL_US = 5  # reading the tick takes a 125 MHz board about this long; it also lets a busy wait come to an end
_RTC_START_UNIX_S = 1609459200  # the board's RTC starts at 2021-01-01 after every reset (board_budget, trap 5)


class Ending(BaseException):
    """A boot is over. `reason` is the word that goes into the report."""

    reason = "ended"


class EndOfWorld(Ending):
    """The world's table (or the recorded stream) is at its end."""

    reason = "end_of_world"


class PowerCut(Ending):
    """The supply is gone, in the middle of whatever was going on."""

    reason = "power_cut"


class WatchdogReset(Ending):
    """The watchdog was not fed in time: the processor starts again, everything else keeps its supply."""

    reason = "watchdog"


class SoftReset(Ending):
    """The firmware called machine.reset()."""

    reason = "reset"


class Clock:
    """World time [us] since the first boot's power-up, and this boot's ticks.

    Parameters
    ----------
    start_us : int
        World time at which this boot begins. [us]
    ticks_start_ms : int
        What ticks_ms() says at that moment; near 2**30 to let a test cross the wrap. [ms]
    """

    def __init__(self, start_us=0, ticks_start_ms=0):
        self.now_us = start_us
        self.boot_us = start_us
        self.alarm_us = NEVER_US  # the earliest alarm; -1 once the boot has ended
        self.ending = None
        self._ticks_zero_us = start_us - ticks_start_ms * 1000
        self._alarms = []  # [time_us, function], earliest first; a soak has a thousand

    def advance(self, duration_us):
        """Let time pass, sounding each alarm at its moment. Raises the ending if one comes up."""
        now_us = self.now_us + duration_us
        if now_us >= self.alarm_us:
            self._sound_until(now_us)
        else:
            self.now_us = now_us

    def at(self, time_us, function):
        """Call function() when world time reaches time_us; a moment already past sounds on the next advance."""
        alarms = self._alarms
        low, high = 0, len(alarms)
        while low < high:  # behind all of the same moment
            middle = (low + high) // 2
            if alarms[middle][0] > time_us:
                high = middle
            else:
                low = middle + 1
        alarms.insert(low, (time_us, function))
        if self.ending is None:
            self.alarm_us = alarms[0][0]

    def end(self, ending):
        """Stop the clock for good and raise the ending."""
        if self.ending is None:
            self.ending = ending
            self.alarm_us = -1
        raise self.ending

    def _sound_until(self, now_us):
        if self.ending is not None:
            raise self.ending
        while self._alarms and self._alarms[0][0] <= now_us:
            time_us, function = self._alarms.pop(0)
            if time_us > self.now_us:
                self.now_us = time_us
            self.alarm_us = self._alarms[0][0] if self._alarms else NEVER_US
            function()
        self.now_us = now_us

    # --- the calls of MicroPython's `time` -------------------------------------------------------------------

    def ticks_ms(self):
        self.advance(_CALL_US)
        return (self.now_us - self._ticks_zero_us) // 1000 & (TICKS_PERIOD - 1)

    def ticks_us(self):
        self.advance(_CALL_US)
        return self.now_us - self._ticks_zero_us & (TICKS_PERIOD - 1)

    def sleep_ms(self, duration_ms):
        now_us = self.now_us + (duration_ms * 1000 if duration_ms > 0 else 0)
        if now_us >= self.alarm_us:
            self._sound_until(now_us)
        else:
            self.now_us = now_us

    def sleep_us(self, duration_us):
        self.advance(duration_us if duration_us > 0 else 0)

    def sleep(self, duration_s):
        self.advance(int(duration_s * 1000000) if duration_s > 0 else 0)

    def time(self):
        return _RTC_START_UNIX_S + (self.now_us - self.boot_us) // 1000000

    def time_ns(self):
        return _RTC_START_UNIX_S * 1000000000 + (self.now_us - self.boot_us) * 1000


def ticks_add(ticks, delta):
    """The tick `delta` later, wrapped as on the board."""
    return ticks + delta & (TICKS_PERIOD - 1)


def ticks_diff(end, start):
    """Signed distance between two ticks, right while they lie less than half a period apart."""
    return (end - start + _HALF_PERIOD & (TICKS_PERIOD - 1)) - _HALF_PERIOD

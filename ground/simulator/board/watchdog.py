"""machine.WDT: a watchdog that really starts the processor again.

Feeding only moves a number; the alarm on the clock is set again when it sounds too early. Once started it cannot be
stopped, as on the board.
"""

from ground.simulator.board.clock import WatchdogReset

_TIMEOUT_MAX_MS = 8388  # RP2040: a 24-bit counter of half microseconds (data sheet, 4.7)


class WDT:
    """One watchdog; the class attributes are set by the board before the firmware starts."""

    clock = None
    ledger = None
    running = None  # the watchdog started in this boot, for the report

    def __init__(self, id=0, timeout=5000):
        if not 1 <= timeout <= _TIMEOUT_MAX_MS:
            raise ValueError("timeout exceeds %d" % _TIMEOUT_MAX_MS)
        self._timeout_us = timeout * 1000
        self._fed_us = self.clock.now_us
        self.longest_us = 0
        WDT.running = self
        self.clock.at(self._fed_us + self._timeout_us, self._bark)

    def feed(self):
        now_us = self.clock.now_us
        waited_us = now_us - self._fed_us
        if waited_us > self.longest_us:
            self.longest_us = waited_us
        self._fed_us = now_us

    def timeout_ms(self, timeout):
        self._timeout_us = timeout * 1000

    def _bark(self):
        due_us = self._fed_us + self._timeout_us
        if self.clock.now_us < due_us:
            self.clock.at(due_us, self._bark)
            return
        self.longest_us = self._timeout_us
        self.clock.end(WatchdogReset("not fed for %d ms" % (self._timeout_us // 1000)))

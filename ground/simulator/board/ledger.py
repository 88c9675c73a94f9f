"""What a boot did, counted: block writes, watchdog feeds, and every objection of a strict chip.

The ledger is the simulator's own memory. The firmware never sees it; the run's report and the tests do.
"""

_OBJECTIONS_KEPT_MAX = 50


class Ledger:
    """Counters by name and the objections of chips, in the order in which they came."""

    def __init__(self, clock=None):
        self.clock = clock
        self.counts = {}
        self.objections = []
        self.objection_count = 0

    def count(self, name, amount=1):
        self.counts[name] = self.counts.get(name, 0) + amount

    def object(self, who, what):
        """Note that the firmware used a chip in a way its data sheet does not allow."""
        self.objection_count += 1
        if len(self.objections) < _OBJECTIONS_KEPT_MAX:
            at_s = self.clock.now_us / 1000000 if self.clock is not None else None
            self.objections.append({"who": who, "what": what, "at_s": at_s})

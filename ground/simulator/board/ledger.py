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
        self._forgiven_until_us = {}  # name of a chip -> world time

    def count(self, name, amount=1):
        self.counts[name] = self.counts.get(name, 0) + amount

    def forgive(self, who, until_us):
        """A fault has just befallen this chip: until then its objections are counted apart, for nobody could know."""
        self._forgiven_until_us[who] = until_us

    def object(self, who, what):
        """Note that the firmware used a chip in a way its data sheet does not allow."""
        if self._forgiven_until_us and self.clock.now_us < self._forgiven_until_us.get(who, 0):
            self.count("objections_forgiven")
            return
        self.objection_count += 1
        if len(self.objections) < _OBJECTIONS_KEPT_MAX:
            at_s = self.clock.now_us / 1000000 if self.clock is not None else None
            self.objections.append({"who": who, "what": what, "at_s": at_s})


class GuestLedger:
    """The ledger for a chip in another one's place: to be asked for what only the other has is no misuse.

    Who sits there can only be found out by asking, and a driver asks again every few seconds.
    """

    def __init__(self, ledger):
        self._ledger = ledger
        self.count = ledger.count

    def object(self, who, what):
        """As Ledger.object, but for questions about a register that this chip does not have."""
        if what.startswith("unknown register"):
            self.count("objections_forgiven")
        else:
            self._ledger.object(who, what)

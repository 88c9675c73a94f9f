"""machine.Pin: levels that the firmware sets, and listeners for whatever is wired to a pin.

The LED and the sounder are nothing but pins; their changes are counted, so a test can ask whether the box beeped.

A bus wire is a pin with a resistor to the supply (`pull_up`): nobody may drive it high, everybody may pull it low,
and it is high when nobody does. A pin that was given to a peripheral (an I2C controller) and is then initialised as a
plain one is taken away from it, as on the RP2040, until the peripheral is made again (`give_to_peripheral`).
"""

_ledger = None
_levels: dict = {}
_listeners: dict = {}
_pulled_up: set = set()
_held_low: set = set()
_peripheral: set = set()  # given to a peripheral
taken: set = set()  # of those: made plain pins since


def connect(ledger):
    """Start a boot: every pin is an input again and nobody listens."""
    global _ledger
    _ledger = ledger
    for book in (_levels, _listeners, _pulled_up, _held_low, _peripheral, taken):
        book.clear()


def on_change(pin_id, function):
    """Bench door: call function(level) whenever the firmware drives this pin to a new level."""
    _listeners.setdefault(pin_id, []).append(function)


def set_input(pin_id, level):
    """Bench door: a switch or a jumper puts a level on a pin that the firmware reads."""
    _levels[pin_id] = level


def pull_up(pin_id):
    """Bench door: this pin is a bus wire with a resistor to the supply."""
    _pulled_up.add(pin_id)
    _levels[pin_id] = 1


def hold_low(pin_id, held):
    """Bench door: something other than the firmware pulls this wire down, or lets go of it."""
    if held:
        _held_low.add(pin_id)
    else:
        _held_low.discard(pin_id)


def give_to_peripheral(*pin_ids):
    """A peripheral was made on these pins."""
    for pin_id in pin_ids:
        _peripheral.add(pin_id)
        taken.discard(pin_id)


class Pin:
    """One pin of the board. `value()` and a call read or set it."""

    IN, OUT, OPEN_DRAIN = 0, 1, 2
    PULL_UP, PULL_DOWN = 1, 2
    IRQ_RISING, IRQ_FALLING = 8, 4

    def __init__(self, pin_id, mode=-1, pull=-1, value=None, alt=-1):
        self.id = pin_id
        self.init(mode, pull, value)

    def init(self, mode=-1, pull=-1, value=None, alt=-1):
        if mode != -1 and self.id in _peripheral:
            taken.add(self.id)
        if self.id in _pulled_up:
            if mode == self.OUT:
                _ledger.object("pin %d" % self.id, "a bus wire made a push-pull output: it may fight a chip")
            if mode == self.IN:
                self._drive(1)
        if mode in (self.OUT, self.OPEN_DRAIN) or mode == -1:
            if value is not None:
                self._drive(1 if value else 0)
        elif pull == self.PULL_UP:
            _levels.setdefault(self.id, 1)

    def value(self, level=None):
        if level is None:
            return 0 if self.id in _held_low else _levels.get(self.id, 0)
        self._drive(1 if level else 0)
        return None

    def __call__(self, level=None):
        return self.value(level)

    def on(self):
        self._drive(1)

    def off(self):
        self._drive(0)

    def toggle(self):
        self._drive(_levels.get(self.id, 0) ^ 1)

    def irq(self, handler=None, trigger=0, hard=False):
        """Accepted and never called: nothing on this board raises a pin interrupt."""

    def __str__(self):
        return "Pin(GPIO%d)" % self.id

    def _drive(self, level):
        if _levels.get(self.id, 0) == level:
            return
        _levels[self.id] = level
        if _ledger is not None:
            _ledger.count("pin_%d_changes" % self.id)
        for function in _listeners.get(self.id, ()):
            function(level)


def pin_number(pin):
    """The number of a Pin, or the number itself (ports accept both)."""
    return pin.id if isinstance(pin, Pin) else pin

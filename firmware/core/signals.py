"""LED and sounder: what the box says to people who have no laptop at hand.

| state | LED | sounder |
| --- | --- | --- |
| testing, after power-up | on | silent |
| GO | one short flash every 2 s | two long tones, once |
| NO-GO | quick flashing | six short tones, again every 20 s |
| in flight | one short flash every 5 s | silent |
| landed | two short flashes every 2 s | one tone every 5 s |

A pattern is a row of bytes: times in tenths of a second, on and off in turn, beginning with on.
"""

from shared_protocol import events
from shared_protocol.compat import const

TESTING = const(0)
GO = const(1)
NO_GO = const(2)
IN_FLIGHT = const(3)
LANDED = const(4)

_LED = (
    bytes((250,)),
    bytes((1, 19)),
    bytes((1, 1)),
    bytes((1, 49)),
    bytes((1, 2, 1, 16)),
)
_SOUNDER = (
    b"",
    bytes((6, 4, 6, 4)),
    bytes((1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 189)),
    b"",
    bytes((3, 47)),
)
_ONCE = (False, True, False, False, False)  # for the sounder: not again after the last time

_UNIT_MS = const(100)
_IDLE_MS = const(1000)


class Player:
    """Plays one of several patterns on a pin; `pin` may be None on a board without one."""

    def __init__(self, pin, patterns, once):
        self._pin = pin
        self._patterns = patterns
        self._once = once
        self._pattern = patterns[0]
        self._repeats = not once[0]
        self._place = 0
        self._change_ms = 0

    def play(self, number: int, now_ms: int) -> None:
        """Begin a pattern from its start."""
        self._pattern = self._patterns[number]
        self._repeats = not self._once[number]
        self._place = 0
        self._change_ms = now_ms
        if self._pin is not None:
            self._pin(0)

    def step(self, now_ms: int) -> int:
        """Switch the pin if it is time; when to come again."""
        pattern = self._pattern
        if self._pin is None or not pattern:
            return now_ms + _IDLE_MS
        if now_ms < self._change_ms:
            return self._change_ms
        place = self._place
        if place == len(pattern):
            if not self._repeats:
                self._pattern = b""
                return now_ms + _IDLE_MS
            place = 0
        self._pin(1 - (place & 1))
        self._change_ms = now_ms + pattern[place] * _UNIT_MS
        self._place = place + 1
        return self._change_ms


class Signals:
    """LED and sounder together. `state` is set by show()."""

    def __init__(self, led, sounder):
        self._led = Player(led, _LED, (False,) * len(_LED))
        self._sounder = Player(sounder, _SOUNDER, _ONCE)
        self.state = TESTING

    def show(self, state: int, now_ms: int) -> None:
        """Change to another state; does nothing if it is the one already shown."""
        if state != self.state:
            self.state = state
            self._led.play(state, now_ms)
            self._sounder.play(state, now_ms)

    def step(self, now_ms: int) -> int:
        """Switch what has to be switched; when to come again."""
        return min(self._led.step(now_ms), self._sounder.step(now_ms), now_ms + _IDLE_MS)


def state_for(phase: int, tested: bool, is_go: bool) -> int:
    """What to show in a flight phase, before or after the self-test."""
    if phase == events.PHASE_LANDED:
        return LANDED
    if phase != events.PHASE_GROUND:
        return IN_FLIGHT
    if not tested:
        return TESTING
    return GO if is_go else NO_GO

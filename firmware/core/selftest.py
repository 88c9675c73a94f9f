"""GO or NO-GO, a few seconds after power-up, from what the tasks have already found out.

It starts nothing and waits for nothing: sampling begins at once, and the verdict is given when the last part has shown
itself or its time is over. GO means: the barometer, both thermometers and the power meter answered, the battery's
divider reads more than nothing, the first sector of this boot was written to the card and read back, the card has room
for three hours (or half of what the settings ask for), flash takes the second copy, the receiver said something, and
the settings were all right. After that a card that is lost on the ground turns GO into NO-GO, and back.
"""

from shared_protocol import events
from shared_protocol.compat import const

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.logbook import Logbook

_TIME_MS = const(8000)  # a cold receiver speaks within a second or two; the first sector is committed after one


class SelfTest:
    """`chips` are the supervisors of what should be there; `read_battery()` gives the raw reading."""

    def __init__(self, journal: "Journal", logbook: "Logbook", chips, receiver, read_battery, settings, copy):
        self._journal = journal
        self._logbook = logbook
        self._chips = chips
        self._receiver = receiver
        self._read_battery = read_battery
        self._copy = copy
        self._settings_trouble = 1 << events.SETTINGS if settings.replaced else 0
        self.is_done = False
        self.is_go = False
        self.trouble = 0  # bits: source numbers

    def judge(self, now_ms: int) -> None:
        """Look at everything; give the verdict once."""
        if self.is_done:
            self.is_go = self.trouble == 0 and self._logbook.is_open
            return
        trouble = self._find_trouble()
        if trouble == 0 or now_ms >= _TIME_MS:
            self.is_done = True
            self.is_go = trouble == 0
            self.trouble = trouble
            self._journal.event(now_ms, events.SELF_TEST, events.SYSTEM, 0, 1 if self.is_go else 0, trouble)

    def _find_trouble(self):
        trouble = self._settings_trouble
        if self._logbook.verified != 1 or self._logbook.is_short:
            trouble |= 1 << events.CARD
        if self._copy is not None and not self._copy.is_well:
            trouble |= 1 << events.FLASH
        chips = self._chips
        for number in range(len(chips)):
            if not chips[number].present:
                trouble |= 1 << chips[number].source
        if self._receiver.bytes_seen == 0:
            trouble |= 1 << events.GNSS
        if self._read_battery() == 0:
            trouble |= 1 << events.BATTERY
        return trouble

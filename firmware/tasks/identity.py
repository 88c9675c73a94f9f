"""Who is speaking: the records that readings need to be understood, once a minute, so that any stretch decodes."""

import struct

from firmware import VERSION
from firmware.core.framer import PAYLOAD, Frame
from firmware.tasks.power import CHANNEL_NUMBER
from shared_protocol.compat import const
from shared_protocol.records import BOOT, CHANNEL, CONTINUES

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.logbook import Logbook
    from firmware.tasks.barometer import BarometerTask
    from firmware.tasks.power import PowerTask
    from firmware.tasks.thermometers import ThermometerTask

_PERIOD_MS = const(60000)
_LOOK_MS = const(1000)  # between two looks whether something new has to be introduced

_RESUMED = const(1)
_DEFAULTED = const(2)

_PANEL = b"panel"  # what the ground calls the one channel


class IdentityTask:
    """Writes boot, calibrations, probes and channel each minute, and at once when a log is opened or a chip starts."""

    def __init__(
        self, journal: "Journal", logbook: "Logbook", settings, cause: int, board_id: bytes,
        barometer: "BarometerTask", thermometers: "ThermometerTask", power: "PowerTask",
    ):  # fmt: skip
        self._journal = journal
        self._logbook = logbook
        self._barometer = barometer
        self._thermometers = thermometers
        self._power = power
        self._cause = cause
        self._flags = _DEFAULTED if settings.replaced else 0
        self._settings_crc = settings.crc
        self._shunt = settings["panel_shunt_microohm"]
        self._board_id = board_id
        self._boot_frame = Frame(BOOT)
        self._continues_frame = Frame(CONTINUES)
        self._channel_frame = Frame(CHANNEL)
        self._news = -1
        self._next_ms = 0

    def step(self, now_ms: int) -> int:
        """Write all of it if a minute is over or there is news; when to come again."""
        news = self._journal.news
        if now_ms >= self._next_ms or news != self._news:
            self._news = news
            self._next_ms = now_ms + _PERIOD_MS
            self._write_all(now_ms)
        return now_ms + _LOOK_MS - now_ms % _LOOK_MS

    def _write_all(self, now_ms):
        put = self._journal.put
        logbook = self._logbook
        frame = self._boot_frame
        flags = self._flags | (_RESUMED if logbook.resumed else 0)
        firmware = VERSION[0] * 256 + VERSION[1]
        struct.pack_into(
            "<HBBII8s", frame.buffer, PAYLOAD, firmware, self._cause, flags,
            self._settings_crc, logbook.first_sector, self._board_id,
        )  # fmt: skip
        put(frame, now_ms)
        if logbook.continues:
            frame = self._continues_frame
            struct.pack_into("<I", frame.buffer, PAYLOAD, logbook.continues)
            put(frame, now_ms)
        if self._barometer.chip.present:
            self._barometer.introduce(now_ms)
        self._thermometers.introduce(now_ms)
        if self._power.chip.present:
            frame = self._channel_frame
            driver = self._power.driver
            struct.pack_into(
                "<BBHI8s", frame.buffer, PAYLOAD, CHANNEL_NUMBER, driver.chip, driver.config_raw, self._shunt, _PANEL
            )
            put(frame, now_ms)

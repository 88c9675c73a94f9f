"""Who is speaking: the records that readings need to be understood, once a minute, so that any stretch decodes."""

import struct

from firmware import VERSION
from firmware.core.framer import PAYLOAD, Frame
from firmware.core.journal import Journal
from firmware.core.logbook import Logbook
from firmware.tasks.barometer import SENSOR, BarometerTask
from firmware.tasks.power import CHANNEL_NUMBER, PowerTask
from firmware.tasks.thermometers import ThermometerTask
from shared_protocol.compat import const
from shared_protocol.records import BOOT, CHANNEL, CHIP_DS18B20, CHIP_INA219, CHIP_MS5611, PRESSURE_CAL, PROBE

_PERIOD_MS = const(60000)
_LOOK_MS = const(1000)  # between two looks whether something new has to be introduced

_RESUMED = const(1)
_DEFAULTED = const(2)

_PANEL = b"panel"  # what the ground calls the one channel


class IdentityTask:
    """Writes BOOT, PRESSURE_CAL, PROBE and CHANNEL each minute, and at once when a log is opened or a chip starts."""

    def __init__(
        self, journal: Journal, logbook: Logbook, settings, cause: int, board_id: bytes,
        barometer: BarometerTask, thermometers: ThermometerTask, power: PowerTask,
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
        self._pressure_cal_frame = Frame(PRESSURE_CAL)
        self._probe_frame = Frame(PROBE)
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
        if self._barometer.chip.present:
            frame = self._pressure_cal_frame
            c = self._barometer.driver.prom
            struct.pack_into(
                "<BB8H", frame.buffer, PAYLOAD, SENSOR, CHIP_MS5611, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
            )
            put(frame, now_ms)
        probes = self._thermometers.probes
        for number in range(len(probes)):
            probe = probes[number]
            if probe.rom:
                frame = self._probe_frame
                struct.pack_into("<BB8s8s", frame.buffer, PAYLOAD, number, CHIP_DS18B20, probe.rom, probe.name)
                put(frame, now_ms)
        if self._power.chip.present:
            frame = self._channel_frame
            config = self._power.driver.config_raw
            struct.pack_into("<BBHI8s", frame.buffer, PAYLOAD, CHANNEL_NUMBER, CHIP_INA219, config, self._shunt, _PANEL)
            put(frame, now_ms)

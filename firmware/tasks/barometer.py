"""Pressure, without waiting for a conversion.

A sample of an MS5611 is two conversions and takes two wake-ups. At its slot the pressure conversion is begun; when
that is done it is read and the temperature conversion begun; that one is read at the next slot, just before the next
sample starts. So the record of a sample is written one period late, but it carries the time at which its pressure
conversion began, and pressure and temperature are 10 ms apart. A BMP280 or BME280 gives both words from one
conversion (`together`), read at the second wake-up.

Which chip it is, the settings say, or (`auto`) begin() finds out: the task is given drivers to try, in order. A chip
that was put in another one's place is so known by what it says of itself, and its calibration is written before its
first reading.
"""

import struct

from firmware.core.framer import PAYLOAD, Frame
from firmware.core.freeze import BY_NOISE, FreezeWatch
from firmware.core.schedule import next_slot
from firmware.core.supervisor import Supervisor
from firmware.status import AFTER_RESET, BUS_FAULT, IMPLAUSIBLE, NOT_READY, OK
from shared_protocol import events
from shared_protocol.compat import const
from shared_protocol.records import (
    BMP280_CAL,
    CHIP_BME280,
    CHIP_MS5611,
    FLAG_BUS_ERROR,
    FLAG_NEVER_CONVERTED,
    FLAG_STALE,
    HUMIDITY,
    HUMIDITY_CAL,
    PRESSURE,
    PRESSURE_CAL,
)

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.core.journal import Journal
    from firmware.core.schedule import Clock

_IDLE = const(0)
_PRESSURE = const(1)  # a pressure conversion is running
_TEMPERATURE = const(2)

_HUMIDITY_MS = const(1000)  # the sensor itself takes about a second
_HUMIDITY_NEVER = const(0x8000)
# No air falls past the box by 12 hPa from one reading to the next (a fall of 100 m/s near the ground: 1.2 hPa in 100
# ms), nor does a chip change by 2 degC: a larger step is a bit that flipped, or another part that answers.
_LEAP_MS5611 = const(0x10000)  # D1 counts some 0.02 Pa, D2 some 0.00003 degC
_LEAP_BMP280 = const(0x2000)  # a pressure step is some 0.16 Pa, a temperature step 0.0003 degC
_LEAP_MS_MAX = const(2500)  # longer ago, much may have happened
_D2_MS_MAX = const(1000)  # an older temperature is no stand-in: the box may change by 0.1 degC a second

SENSOR = 0


class BarometerTask:
    """Samples one barometer. `d1_sum`, `d2` and `count` add up what came since the phase task last looked.

    `drivers` are tried in order; `converters` are their functions pressure_pa(d1, d2, prom). `expected` is the number
    of the chip that the settings name, 0 for none.
    """

    def __init__(self, journal: "Journal", clock: "Clock", drivers, converters, expected: int, period_ms: int):
        self._journal = journal
        self._drivers = drivers
        self._converters = converters
        self.driver = drivers[0]
        self._convert = converters[0]
        self._known = expected
        self.chip = Supervisor(journal, self._begin, events.BAROMETER, SENSOR, drivers[0].address)
        self.period_ms = period_ms
        self.d1_sum = 0
        self.d2 = 0
        self.count = 0
        self._put = journal.put
        self._now = clock.now
        self._frame = Frame(PRESSURE)
        self._humidity_frame = Frame(HUMIDITY)
        self._ms5611_frame = Frame(PRESSURE_CAL)
        self._bmp280_frame = Frame(BMP280_CAL)
        self._humidity_cal_frame = Frame(HUMIDITY_CAL)
        self._d1_watch = FreezeWatch(journal, BY_NOISE, False)
        self._d2_watch = FreezeWatch(journal, BY_NOISE, False)
        self._d2_ms = 0  # when the latest temperature came; 0: never
        self._good_ms = 0  # when the latest good sample came; 0: never
        self._last_d1 = 0
        self._last_d2 = 0
        self._conversion_ms = 0
        self._is_running = False
        self._humidity_ms = -_HUMIDITY_MS
        self._state = _IDLE
        self._slot_ms = 0
        self._sample_ms = 0
        self._started_ms = 0

    def step(self, now_ms: int) -> int:
        """Do what is next; when to come again."""
        self._is_running = True
        chip = self.chip
        if not chip.ready(now_ms):
            self._state = _IDLE
            return self._next_slot(now_ms)
        driver = self.driver
        state = self._state
        if state != _IDLE:
            done_ms = self._started_ms + self._conversion_ms
            if now_ms < done_ms:
                return done_ms
        if state == _PRESSURE:
            self._state = _IDLE
            status = driver.read_pressure()
            if status == OK and driver.together:
                self._take(now_ms)
                return self._next_slot(now_ms)
            if status == OK:
                status = driver.start_temperature()
            if status == OK:
                self._started_ms = self._now()
                self._state = _TEMPERATURE
            else:
                self._failed(now_ms, status)
            return self._next_slot(now_ms)
        self._state = _IDLE
        if state == _TEMPERATURE:
            status = driver.read_temperature()
            if status == OK:
                self._take(now_ms)
            else:
                self._failed(now_ms, status)
                if not chip.present:
                    return self._next_slot(now_ms)
                if status == BUS_FAULT and self._d2_ms and now_ms - self._d2_ms <= _D2_MS_MAX:
                    self._put_stale()
        status = driver.start_pressure()
        if status != OK:
            chip.bad(now_ms, status)
            return self._next_slot(now_ms)
        self._sample_ms = self._started_ms = self._now()
        self._state = _PRESSURE
        return self._started_ms + self._conversion_ms

    def _failed(self, now_ms, status):
        """A reading failed. A chip that forgot what it was told is begun again at once.

        An MS5611 says so by an empty result: its conversion was waited for, so its supply must have dipped meanwhile.
        """
        if status == AFTER_RESET or (status == NOT_READY and not self.driver.together):
            self.chip.lost(now_ms, AFTER_RESET)
        else:
            self.chip.bad(now_ms, status)

    def _is_leap(self, now_ms):
        """A reading that cannot follow the last good one. After three in a row the chip is begun anew."""
        if not self._good_ms or now_ms - self._good_ms > _LEAP_MS_MAX:
            return False
        leap = _LEAP_BMP280 if self.driver.together else _LEAP_MS5611
        driver = self.driver
        return not (-leap < driver.d1 - self._last_d1 < leap and -leap < driver.d2 - self._last_d2 < leap)

    def _put_stale(self):
        """The pressure came and its temperature did not: the one before has to do, and is marked."""
        driver = self.driver
        struct.pack_into("<BBII", self._frame.buffer, PAYLOAD, SENSOR, FLAG_STALE, driver.d1, driver.d2)
        self._put(self._frame, self._sample_ms)

    def _take(self, now_ms):
        driver = self.driver
        if self._is_leap(now_ms):  # written all the same, and marked; the phase never hears of it
            self._d2_ms = 0
            self.chip.bad(now_ms, IMPLAUSIBLE)
            struct.pack_into("<BBII", self._frame.buffer, PAYLOAD, SENSOR, FLAG_BUS_ERROR, driver.d1, driver.d2)
            self._put(self._frame, self._sample_ms)
            return
        self._last_d1 = driver.d1
        self._last_d2 = driver.d2
        flags = self.chip.good(now_ms)
        repeats = self._d1_watch.sees(driver.d1)
        if not driver.together:  # a BMP280 measures its temperature in steps as large as the noise
            repeats = max(repeats, self._d2_watch.sees(driver.d2))
        flags |= self.chip.frozen(now_ms, repeats)
        self._d2_ms = self._good_ms = now_ms
        struct.pack_into("<BBII", self._frame.buffer, PAYLOAD, SENSOR, flags, driver.d1, driver.d2)
        self._put(self._frame, self._sample_ms)
        self.d1_sum += driver.d1
        self.d2 = driver.d2
        self.count += 1
        if driver.chip == CHIP_BME280 and now_ms - self._humidity_ms >= _HUMIDITY_MS:
            self._humidity_ms = now_ms
            raw = driver.humidity
            if raw == _HUMIDITY_NEVER:
                flags |= FLAG_NEVER_CONVERTED
            struct.pack_into("<BBHI", self._humidity_frame.buffer, PAYLOAD, SENSOR, flags, raw, driver.d2)
            self._put(self._humidity_frame, self._sample_ms)

    def pressure_pa(self) -> int:
        """Mean of what came since the phase task last looked, of which there is something. [Pa]"""
        return self._convert(self.d1_sum // self.count, self.d2, self.driver.prom)

    def introduce(self, now_ms: int) -> None:
        """Write the calibration that the readings need."""
        driver = self.driver
        c = driver.prom
        if driver.chip == CHIP_MS5611:
            struct.pack_into(
                "<BB8H", self._ms5611_frame.buffer, PAYLOAD,
                SENSOR, CHIP_MS5611, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7],
            )  # fmt: skip
            self._put(self._ms5611_frame, now_ms)
            return
        struct.pack_into(
            "<BBHhhHhhhhhhhh", self._bmp280_frame.buffer, PAYLOAD,
            SENSOR, driver.chip, c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], c[8], c[9], c[10], c[11],
        )  # fmt: skip
        self._put(self._bmp280_frame, now_ms)
        if driver.chip == CHIP_BME280:
            h = driver.humidity_prom
            struct.pack_into(
                "<BBBBhhhh", self._humidity_cal_frame.buffer, PAYLOAD,
                SENSOR, CHIP_BME280, h[0], h[2], h[1], h[3], h[4], h[5],
            )  # fmt: skip
            self._put(self._humidity_cal_frame, now_ms)

    def _begin(self):
        """Try the drivers; what a chip said that none of them knew, or else that nobody answered."""
        drivers = self._drivers
        worst = BUS_FAULT
        silent = -1
        for number in range(len(drivers)):
            driver = drivers[number]
            if driver.address == silent:
                continue
            status = driver.begin()
            if status == OK:
                self._use(number)
                return OK
            if status == BUS_FAULT:
                silent = driver.address  # not asked again: a stuck bus costs one time-out for each address
            else:
                worst = status
        return worst

    def _use(self, number):
        driver = self._drivers[number]
        self.driver = driver
        self._convert = self._converters[number]
        self._conversion_ms = driver.conversion_ms + 1  # the tick may end right after the command has been sent
        self.chip.address = driver.address
        self._state = _IDLE
        self._d2_ms = self._good_ms = 0  # the last words may be another chip's
        self.d1_sum = 0
        self.count = 0
        now_ms = self._now()
        if driver.chip != self._known:
            self._known = driver.chip
            self._journal.event(now_ms, events.CHIP_IDENTIFIED, events.BAROMETER, SENSOR, driver.address, driver.chip)
        if self._is_running:  # before the first reading; at power-up the identity task does it
            self.introduce(now_ms)

    def _next_slot(self, now_ms):
        self._slot_ms = next_slot(self._slot_ms, self.period_ms, now_ms)
        return self._slot_ms

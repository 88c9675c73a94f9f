"""BMP280 and BME280 barometers on any bus shaped like machine.I2C, told apart by their chip id.

Sections: Bosch data sheet BST-BMP280-DS001 rev 1.14; those marked H: BME280, BST-BME280-DS002. The BME280 has the same
registers and formula and measures humidity as well.

A sample is one forced-mode measurement (3.6.2): both words, from the same moment, then sleep. Pressure is oversampled 8
times, temperature once, no filter: 22.5 ms at most (3.8.1), 25.4 ms with humidity (H 9.1), so that it fits into the
shortest period of the settings; the noise is about 1.6 Pa. Forced mode also brings the chip back by itself after a
brown-out, because each start writes the whole measuring configuration again; read_pressure() says that it happened, for
the register `config`, which has no say in forced mode, is then 0 again.
"""

from array import array

from firmware.status import AFTER_RESET, BUS_FAULT, CRC_FAULT, NOT_READY, OK, REFUSED, TIMEOUT, WRONG_CHIP
from shared_protocol.compat import const
from shared_protocol.records import CHIP_BME280, CHIP_BMP280

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from firmware.buses import I2CBus

_ID_BMP280 = const(0x58)
_ID_BME280 = const(0x60)

_REG_CALIBRATION = const(0x88)  # 24 bytes, low byte first (3.11.2)
_REG_H1 = const(0xA1)
_REG_ID = const(0xD0)
_REG_RESET = const(0xE0)
_REG_H2 = const(0xE1)  # 7 bytes (H 4.2.2)
_REG_CTRL_HUM = const(0xF2)
_REG_STATUS = const(0xF3)  # followed by ctrl_meas and config
_REG_CTRL_MEAS = const(0xF4)
_REG_CONFIG = const(0xF5)
_REG_DATA = const(0xF7)  # one burst, because the chip holds all words of a measurement together while it lasts (3.9)

_RESET = const(0xB6)
_START_UP_MS = const(3)  # 2 ms (table 2), one because a tick may end right after the command
_START_UP_TRIES = const(4)
_MEASURING = const(0x08)
_COPYING = const(0x01)  # the calibration is being fetched from the chip's memory
_SLEEP = const(0x30)  # osrs_t x1 (001), osrs_p x8 (100), mode 00
_FORCED = const(0x31)
_HUM_X1 = const(0x01)
_CONFIG = const(0x20)  # standby 62.5 ms: no meaning in forced mode, so it only tells our chip from one that restarted
_NEVER = const(0x80000)  # "skipped" (3.6.1), and what stands there after a reset
_HUM_NEVER = const(0x8000)
_CONVERSION_MS = const(23)
_CONVERSION_MS_WITH_HUMIDITY = const(26)


class BMP280:
    """Raw pressure `d1` and temperature `d2`, 20 bits each, `humidity` 16 bits, and the words that give them a meaning.

    start_pressure() and read_pressure() never wait or raise and allocate nothing; unless they say OK, the values stay.
    """

    together = True  # one conversion gives both words

    def __init__(self, i2c: "I2CBus", address: int = 0x76, sleep_ms=None):
        self._i2c = i2c
        self.address = address
        self._sleep_ms = sleep_ms
        self._byte = bytearray(1)
        self._state = bytearray(3)  # status, ctrl_meas, config
        self._words = bytearray(6)
        self._words_h = bytearray(8)
        self._cal = bytearray(24)
        self._cal_again = bytearray(24)
        self._cal_h = bytearray(8)  # H1, then the seven bytes from E1
        self._cal_h_tail = memoryview(self._cal_h)[1:]
        # ctrl_hum takes effect with the next write of ctrl_meas only (H 5.4.3), so they travel in one transfer, which
        # is register, value, register, value (5.2.1)
        self._start = bytearray((_REG_CTRL_MEAS, _FORCED))
        self._start_h = bytearray((_REG_CTRL_HUM, _HUM_X1, _REG_CTRL_MEAS, _FORCED))
        self._is_bme280 = False
        self.chip = CHIP_BMP280  # number of the record's `chip` field
        self.conversion_ms = _CONVERSION_MS
        self.prom = array("i", [0] * 12)  # T1 to T3, P1 to P9
        self.humidity_prom = array("i", [0] * 6)  # H1 to H6
        self.d1 = 0  # last good raw pressure
        self.d2 = 0  # last good raw temperature
        self.humidity = _HUM_NEVER  # raw, of the same measurement; _HUM_NEVER without one

    def begin(self) -> int:
        """Identify and reset the chip, read its calibration, configure; 4 ms. Values are only changed when OK.

        WRONG_CHIP: neither of the two. CRC_FAULT: two readings of the calibration differ (the chip keeps no check sum,
        and a wrong word would spoil a whole flight). REFUSED: it keeps something else than was written.
        """
        status = self._fetch(_REG_ID, self._byte)
        if status != OK:
            return status
        chip_id = self._byte[0]
        if chip_id != _ID_BMP280 and chip_id != _ID_BME280:
            return WRONG_CHIP
        is_bme280 = chip_id == _ID_BME280
        status = self._reset()
        if status == OK:
            status = self._read_calibration(is_bme280)
        if status == OK:
            status = self._configure(is_bme280)
        if status != OK:
            return status
        self._take_calibration(is_bme280)
        self._is_bme280 = is_bme280
        self.chip = CHIP_BME280 if is_bme280 else CHIP_BMP280
        self.conversion_ms = _CONVERSION_MS_WITH_HUMIDITY if is_bme280 else _CONVERSION_MS
        self.humidity = _HUM_NEVER
        return OK

    def start_pressure(self) -> int:
        """Begin a measurement of all words; read it after `conversion_ms`."""
        try:
            self._i2c.writeto(self.address, self._start_h if self._is_bme280 else self._start)
        except OSError:
            return BUS_FAULT
        return OK

    def read_pressure(self) -> int:
        """Fetch a finished measurement. NOT_READY while it lasts; AFTER_RESET: the chip forgot its configuration.

        CRC_FAULT: the configuration reads back as neither ours nor the chip's own, so it was hurt on the way.
        """
        state = self._state
        status = self._fetch(_REG_STATUS, state)
        if status != OK:
            return status
        if state[0] & _MEASURING:
            return NOT_READY
        if state[1] != _SLEEP or state[2] != _CONFIG:  # read with every sample; after forced mode it sleeps (3.6.2)
            return AFTER_RESET if state[2] == 0 else CRC_FAULT  # 0: power-on value (4.3.5)
        words = self._words_h if self._is_bme280 else self._words
        status = self._fetch(_REG_DATA, words)
        if status != OK:
            return status
        d1 = words[0] << 12 | words[1] << 4 | words[2] >> 4
        d2 = words[3] << 12 | words[4] << 4 | words[5] >> 4
        # Both words: a single one may be true (820 hPa and 26.5 degC with the data sheet's calibration), and that both
        # are measured has just been read in ctrl_meas.
        if d1 == _NEVER and d2 == _NEVER:
            return AFTER_RESET
        self.d1 = d1
        self.d2 = d2
        if self._is_bme280:
            self.humidity = words[6] << 8 | words[7]
        return OK

    def _reset(self):
        """Soft reset, and wait until the calibration has been copied (3.10.2)."""
        status = self._store(_REG_RESET, _RESET)
        for _ in range(_START_UP_TRIES):
            if status != OK:
                return status
            if self._sleep_ms is not None:
                self._sleep_ms(_START_UP_MS)
            status = self._fetch(_REG_STATUS, self._byte)
            if status == OK and not self._byte[0] & _COPYING:
                return OK
        return TIMEOUT if status == OK else status

    def _read_calibration(self, is_bme280):
        cal = self._cal
        status = self._fetch(_REG_CALIBRATION, cal)
        if status == OK:
            status = self._fetch(_REG_CALIBRATION, self._cal_again)
        if status != OK:
            return status
        if cal != self._cal_again:
            return CRC_FAULT
        if not 0 < self._word(0) < 0xFFFF or not 0 < self._word(6) < 0xFFFF:
            return WRONG_CHIP  # an id and no calibration behind it: T1 and P1 are scales and never 0
        return self._read_humidity_calibration() if is_bme280 else OK

    def _read_humidity_calibration(self):
        """Also read twice; the second reading is compared byte by byte with the first."""
        head = self._byte
        tail = self._cal_h_tail
        cal = self._cal_h
        again = self._words_h
        for turn in range(2):
            status = self._fetch(_REG_H1, head)
            if status == OK:
                status = self._fetch(_REG_H2, tail)
            if status != OK:
                return status
            cal[0] = head[0]
            if turn:
                return OK if again == cal else CRC_FAULT
            for place in range(8):
                again[place] = cal[place]
        return OK

    def _configure(self, is_bme280):
        """Config first: it may be ignored once the chip measures (4.3.4), and after the reset it sleeps."""
        status = self._store(_REG_CONFIG, _CONFIG)
        if status == OK and is_bme280:
            status = self._store(_REG_CTRL_HUM, _HUM_X1)
        if status == OK:
            status = self._store(_REG_CTRL_MEAS, _SLEEP)
        if status == OK:
            status = self._fetch(_REG_STATUS, self._state)
        if status != OK:
            return status
        if self._state[1] != _SLEEP or self._state[2] != _CONFIG:
            return REFUSED
        if is_bme280:
            status = self._fetch(_REG_CTRL_HUM, self._byte)
            if status == OK and self._byte[0] & 7 != _HUM_X1:
                return REFUSED
        return status

    def _take_calibration(self, is_bme280):
        prom = self.prom
        for number in range(12):
            word = self._word(2 * number)
            is_unsigned = number == 0 or number == 3  # T1 and P1
            prom[number] = word if is_unsigned or word < 0x8000 else word - 0x10000
        if is_bme280:
            h = self._cal_h
            prom = self.humidity_prom
            prom[0] = h[0]
            prom[1] = _signed(h[1] | h[2] << 8, 0x8000)
            prom[2] = h[3]
            prom[3] = _signed(h[4] << 4 | h[5] & 0x0F, 0x800)  # H4 and H5 share the byte E5 (H table 16)
            prom[4] = _signed(h[6] << 4 | h[5] >> 4, 0x800)
            prom[5] = _signed(h[7], 0x80)

    def _word(self, at):
        return self._cal[at] | self._cal[at + 1] << 8

    def _fetch(self, register, buf):
        try:
            self._i2c.readfrom_mem_into(self.address, register, buf)
        except OSError:  # machine.I2C's word for a missing ACK or a stuck bus
            return BUS_FAULT
        return OK

    def _store(self, register, value):
        self._byte[0] = value
        try:
            self._i2c.writeto_mem(self.address, register, self._byte)
        except OSError:
            return BUS_FAULT
        return OK


def _signed(value, sign):
    return value - 2 * sign if value & sign else value

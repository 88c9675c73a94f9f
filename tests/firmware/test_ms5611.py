"""MS5611 driver: PROM and its CRC-4, conversions, and what a broken bus becomes."""

import pytest

from firmware.drivers.ms5611 import MS5611, prom_crc4
from firmware.status import BUS_FAULT, CRC_FAULT, NOT_READY, OK, WRONG_CHIP
from tests.check_values import check_value
from tests.firmware.driver_faults import CountingBus, DeadBus
from tests.interpreters import INTERPRETERS, run

PROM = [0x3132, 40127, 36924, 23317, 23282, 33464, 28312, 0x4500]
PROM[7] |= prom_crc4(PROM)


class Chip:
    """Commands of the data sheet, no other; a conversion takes its time, and one at a time."""

    def __init__(self, prom=PROM, address=0x77):
        self.prom = list(prom)
        self.address = address
        self.now_ms = 0
        self.words = {0x48: 9085466, 0x58: 8569150}  # conversions at OSR 4096
        self.result = 0
        self.converting = None
        self.answer = b""
        self.loaded_ms = None

    def sleep_ms(self, ms):
        self.now_ms += ms

    def writeto(self, address, buf):
        assert address == self.address
        assert len(buf) == 1
        command = buf[0]
        self.answer = b""
        if command == 0x1E:
            self.loaded_ms = self.now_ms + 2.8
        elif 0xA0 <= command <= 0xAE and command % 2 == 0:
            assert self.loaded_ms is not None and self.now_ms >= self.loaded_ms, "PROM read before it was loaded"
            self.answer = self.prom[(command - 0xA0) // 2].to_bytes(2, "big")
        elif command in self.words:
            self.converting = (self.now_ms + 9.04, self.words[command])
        elif command == 0x00:
            value = 0
            if self.converting and self.now_ms >= self.converting[0]:
                value = self.converting[1]
            self.converting = None
            self.answer = value.to_bytes(3, "big")
        else:
            raise AssertionError(f"unknown command {command:02X}")
        return 1

    def readfrom_into(self, address, buf):
        assert address == self.address
        assert len(buf) == len(self.answer), "read of another length than the answer's"
        buf[:] = self.answer


def make(**settings):
    chip = Chip(**settings)
    return chip, MS5611(chip, chip.address, chip.sleep_ms)


def test_crc4_of_the_application_note():
    case = check_value("ms5611.crc4")
    words = [int(word, 16) for word in case["inputs"]["prom_words"]]
    assert prom_crc4(words) == int(case["expected"]["crc4"], 16)
    words[7] = int(case["expected"]["stored_word7"], 16)
    assert prom_crc4(words) == words[7] & 0x0F  # the stored CRC itself does not count


def test_the_prom_is_read_and_kept():
    _, sensor = make()
    assert sensor.begin() == OK
    assert list(sensor.prom) == PROM


def test_every_flipped_bit_of_the_prom_is_noticed():
    for word in range(8):
        for bit in range(16):
            if word == 7 and 4 <= bit < 8:
                continue  # the low byte of word 7 counts as 0 but for the CRC itself (AN520)
            prom = list(PROM)
            prom[word] ^= 1 << bit
            _, sensor = make(prom=prom)
            assert sensor.begin() in (CRC_FAULT, WRONG_CHIP), (word, bit)
            assert list(sensor.prom) == [0] * 8


@pytest.mark.parametrize("value", [0x0000, 0xFFFF])
def test_a_line_held_low_or_high_is_no_barometer(value):
    _, sensor = make(prom=[value] * 8)
    assert sensor.begin() == WRONG_CHIP


def test_raw_words_of_the_data_sheet_come_through():
    case = check_value("ms5611.example")["inputs"]
    chip, sensor = make()
    sensor.begin()
    assert sensor.start_pressure() == OK
    chip.now_ms += sensor.conversion_ms
    assert sensor.read_pressure() == OK
    assert sensor.start_temperature() == OK
    chip.now_ms += sensor.conversion_ms
    assert sensor.read_temperature() == OK
    assert (sensor.d1, sensor.d2) == (case["D1"], case["D2"])


def test_a_conversion_read_too_early_is_not_ready_and_changes_nothing():
    chip, sensor = make()
    sensor.begin()
    sensor.d1, sensor.d2 = 1, 2
    sensor.start_pressure()
    chip.now_ms += 5
    assert sensor.read_pressure() == NOT_READY
    assert sensor.read_temperature() == NOT_READY  # the early read has ended the conversion
    assert (sensor.d1, sensor.d2) == (1, 2)


@pytest.mark.parametrize("code", [5, 110])
def test_a_silent_bus_is_a_bus_fault(code):
    sensor = MS5611(DeadBus(code), 0x77, lambda ms: None)
    for call in (
        sensor.begin,
        sensor.start_pressure,
        sensor.read_pressure,
        sensor.start_temperature,
        sensor.read_temperature,
    ):
        assert call() == BUS_FAULT


def test_a_failure_at_any_bus_call_of_begin_is_a_status():
    chip = Chip()
    counter = CountingBus(chip)
    assert MS5611(counter, 0x77, chip.sleep_ms).begin() == OK
    for place in range(1, counter.calls + 1):
        chip = Chip()
        sensor = MS5611(CountingBus(chip, place), 0x77, chip.sleep_ms)
        assert sensor.begin() == BUS_FAULT
        assert sensor.begin() == OK  # and the next try is not spoilt by it


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_sampling_allocates_nothing(interpreter):
    out = run(
        """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.drivers.ms5611 import MS5611
class Bus:
    def writeto(self, addr, buf): return 1
    def readfrom_into(self, addr, buf):
        for i in range(len(buf)): buf[i] = 0x81 + i
class Dead:
    def __init__(self): self.error = OSError(5)
    def writeto(self, addr, buf): raise self.error
    def readfrom_into(self, addr, buf): raise self.error
good = MS5611(Bus())
dead = MS5611(Dead())
def turns(sensor):
    total = 0
    for _ in range(100):
        total += sensor.start_pressure() + sensor.read_pressure()
        total += sensor.start_temperature() + sensor.read_temperature()
    return total
result = [0, 0]
heap_lock()
try:
    result[0] = turns(good)
    result[1] = turns(dead)
finally:
    heap_unlock()
print(result[0], result[1], good.d1, good.d2)
""",
        interpreter,
    )
    assert out.split() == ["0", str(4 * 100 * BUS_FAULT), str(0x818283), str(0x818283)]

"""TMP117 driver against the virtual chip, which objects to whatever the data sheet does not allow."""

import pytest

from firmware.drivers.tmp117 import CONVERSION_MS, TMP117
from firmware.status import AFTER_RESET, BUS_FAULT, NOT_READY, OK, REFUSED, TIMEOUT, WRONG_CHIP
from ground.simulator.board.chips.tmp117 import VirtualTmp117
from tests.check_values import check_value
from tests.firmware.driver_faults import DeadBus, DyingBus
from tests.interpreters import INTERPRETERS, run
from tests.simulator.bench import ChipBench

ADDRESS = 0x48


def make(celsius=20.0):
    bench = ChipBench(probe_outside_c=celsius)
    chip = bench.chip(VirtualTmp117, ideal=True)
    i2c = bench.i2c({ADDRESS: chip})
    return bench, chip, i2c, TMP117(i2c, ADDRESS, bench.clock.sleep_ms)


def sample(bench, thermometer):
    status = thermometer.start()
    if status != OK:
        return status
    bench.clock.sleep_ms(CONVERSION_MS)
    return thermometer.read()


@pytest.mark.parametrize("name", ["tmp117.table", "tmp117.extra"])
def test_every_code_of_the_data_sheet_comes_through(name):
    entry = check_value(name)
    for code, celsius in zip(entry["inputs"]["code"], entry["expected"]["T_C"], strict=True):
        if celsius == -256.0:
            continue
        bench, _, _, thermometer = make(celsius)
        assert thermometer.begin() == OK
        assert sample(bench, thermometer) == OK
        assert thermometer.raw & 0xFFFF == int(code, 16) and thermometer.raw == celsius * 128
        assert bench.objections == []


def test_serial_number_is_read_from_the_chip():
    _, chip, _, thermometer = make()
    thermometer.begin()
    assert bytes(thermometer.serial) == b"".join(word.to_bytes(2, "big") for word in chip.serial) + b"\0\0"


def test_an_early_reading_is_not_ready_and_costs_nothing():
    bench, _, _, thermometer = make(3.0)
    thermometer.begin()
    thermometer.start()
    bench.clock.sleep_ms(CONVERSION_MS - 4)
    assert thermometer.read() == NOT_READY
    bench.clock.sleep_ms(4)
    assert thermometer.read() == OK and thermometer.raw == 3 * 128


def test_a_second_reading_of_the_same_conversion_is_not_ready():
    bench, _, _, thermometer = make()
    thermometer.begin()
    sample(bench, thermometer)
    assert thermometer.read() == NOT_READY


def test_a_brown_out_is_noticed_and_begin_mends_it():
    bench, chip, _, thermometer = make()
    thermometer.begin()
    thermometer.start()
    bench.clock.sleep_ms(20)
    chip.brown_out()
    bench.clock.sleep_ms(CONVERSION_MS)
    assert thermometer.read() == AFTER_RESET
    assert thermometer.begin() == OK and sample(bench, thermometer) == OK


def test_the_word_from_before_the_first_conversion_is_refused():
    bench, chip, _, thermometer = make(5.0)
    thermometer.begin()
    sample(bench, thermometer)
    chip.stick(0, b"\x80\x00")
    assert sample(bench, thermometer) == AFTER_RESET
    assert thermometer.raw == 5 * 128


@pytest.mark.parametrize("word", [b"\x00\x00", b"\xff\xff", b"\x01\x16"])
def test_another_id_is_a_wrong_chip(word):
    _, chip, _, thermometer = make()
    chip.stick(0x0F, word)
    assert thermometer.begin() == WRONG_CHIP


def test_a_later_revision_is_the_same_chip():
    _, chip, _, thermometer = make()
    chip.stick(0x0F, b"\x11\x17")
    assert thermometer.begin() == OK


def test_a_chip_that_keeps_something_else_is_refused():
    _, chip, _, thermometer = make()
    chip.stick(1, b"\x02\x20")
    assert thermometer.begin() == REFUSED


def test_a_chip_that_is_busy_for_ever_is_given_up_in_bounded_time():
    bench, chip, _, thermometer = make()
    chip.stick(1, b"\x14\x20")
    began = bench.clock.now_us
    assert thermometer.begin() == TIMEOUT
    assert bench.clock.now_us - began < 20_000


def test_a_dead_bus_is_a_bus_fault_at_every_transfer():
    assert TMP117(DeadBus(), ADDRESS).begin() == BUS_FAULT
    for last in range(20):
        bench, _, i2c, _ = make()
        status = TMP117(DyingBus(i2c, last), ADDRESS, bench.clock.sleep_ms).begin()
        if status == OK:
            assert last > 5
            return
        assert status == BUS_FAULT, last
    pytest.fail("begin() never comes through")


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_nothing_is_allocated_after_construction(interpreter):
    out = run(
        """
from firmware.drivers.tmp117 import TMP117
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    heap_lock = heap_unlock = lambda: None
class Bus:
    def writeto_mem(self, address, register, buf): pass
    def readfrom_mem_into(self, address, register, buf):
        word = 0x0117 if register == 0x0F else 0x2420 if register == 1 else 0xE480
        buf[0] = word >> 8
        buf[1] = word & 0xFF
thermometer = TMP117(Bus(), 0x48)
result = [0]
def turns():
    for _ in range(100):
        result[0] += thermometer.begin() + thermometer.start() + thermometer.read()
heap_lock()
turns()
heap_unlock()
print(result[0], thermometer.raw)
""",
        interpreter,
    )
    assert out.split() == ["0", str(-55 * 128)]

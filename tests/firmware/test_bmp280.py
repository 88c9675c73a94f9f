"""BMP280 driver (BME280 too): against the virtual chips, which object to whatever their data sheets do not allow."""

import struct

import pytest

from firmware.core.bmp280_pressure import pressure_pa
from firmware.drivers.bmp280 import BMP280
from firmware.status import AFTER_RESET, BUS_FAULT, CRC_FAULT, NOT_READY, OK, REFUSED, TIMEOUT, WRONG_CHIP
from ground.simulator.board.chips.bmp280 import VirtualBme280, VirtualBmp280
from ground.simulator.board.chips.ms5611 import VirtualMs5611
from shared_protocol.conversions import bmp280 as conversion
from shared_protocol.records import CHIP_BME280, CHIP_BMP280
from tests.check_values import check_value
from tests.firmware.driver_faults import DeadBus, DyingBus
from tests.interpreters import INTERPRETERS, run
from tests.simulator.bench import ChipBench

ADDRESS = 0x76
ENTRY = check_value("bmp280.example.int64")
EXAMPLE = [ENTRY["inputs"][f"dig_{name}"] for name in ("T1", "T2", "T3", *(f"P{n}" for n in range(1, 10)))]


def make(cls=VirtualBmp280, hpa=1006.53, celsius=25.08, percent=55.0, **parameters):
    bench = ChipBench(pressure_hpa=hpa, box_c=celsius, box_humidity_pct=percent)
    chip = bench.chip(cls, **{"ideal": True} | parameters)
    bench.clock.sleep_ms(5)
    i2c = bench.i2c({ADDRESS: chip})
    return bench, chip, i2c, BMP280(i2c, ADDRESS, bench.clock.sleep_ms)


def sample(bench, barometer):
    status = barometer.start_pressure()
    if status != OK:
        return status
    bench.clock.sleep_ms(barometer.conversion_ms)
    return barometer.read_pressure()


@pytest.mark.parametrize(("cls", "number"), [(VirtualBmp280, CHIP_BMP280), (VirtualBme280, CHIP_BME280)])
def test_chip_id_tells_the_two_apart(cls, number):
    bench, chip, _, barometer = make(cls)
    assert barometer.begin() == OK
    assert barometer.chip == number
    assert list(barometer.prom) == chip.calibration
    assert barometer.conversion_ms <= 28  # fits into the shortest period of the settings
    assert bench.objections == []


def test_humidity_calibration_comes_through_with_its_shared_nibbles_and_signs():
    words = [75, -362, 255, -313, -50, -30]
    _bench, _, _, barometer = make(VirtualBme280, humidity_calibration=words)
    assert barometer.begin() == OK
    assert list(barometer.humidity_prom) == words


@pytest.mark.parametrize("cls", [VirtualBmp280, VirtualBme280])
@pytest.mark.parametrize(
    ("hpa", "celsius"), [(1085.0, 60.0), (1013.0, 20.0), (300.0, -30.0), (30.0, -38.0), (8.0, 0.0)]
)
def test_a_sample_is_the_worlds(cls, hpa, celsius):
    bench, _, _, barometer = make(cls, hpa, celsius, 40.0)
    barometer.begin()
    assert sample(bench, barometer) == OK
    centi_c, q8 = conversion.compensate(barometer.d1, barometer.d2, barometer.prom)
    assert q8 / 25600 == pytest.approx(hpa, abs=0.01)
    assert centi_c / 100 == pytest.approx(celsius, abs=0.02)
    assert pressure_pa(barometer.d1, barometer.d2, barometer.prom) == q8 >> 8
    if cls is VirtualBme280:
        t_fine = conversion.fine_temperature(barometer.d2, barometer.prom)
        value = conversion.humidity_q10(barometer.humidity, t_fine, barometer.humidity_prom)
        assert value / 1024 == pytest.approx(40.0, abs=0.1)
    assert bench.objections == []


def test_conversion_time_is_long_enough_and_an_early_reading_is_not_ready():
    bench, _, _, barometer = make(VirtualBme280)
    barometer.begin()
    barometer.start_pressure()
    bench.clock.sleep_ms(barometer.conversion_ms - 2)
    assert barometer.read_pressure() == NOT_READY
    bench.clock.sleep_ms(2)
    assert barometer.read_pressure() == OK
    assert bench.objections == []


def test_words_that_were_never_converted_are_refused_and_the_last_ones_kept():
    bench, chip, _, barometer = make()
    barometer.begin()
    sample(bench, barometer)
    kept = barometer.d1, barometer.d2
    chip.stick(0xF7, b"\x80\x00\x00\x80\x00\x00")
    assert sample(bench, barometer) == AFTER_RESET
    assert (barometer.d1, barometer.d2) == kept


def test_one_word_that_happens_to_be_0x80000_is_a_measurement():
    """On the way up the pressure passes it near 820 hPa; the chip says at each reading that it measures both."""
    bench, chip, _, barometer = make()
    barometer.begin()
    chip.stick(0xF7, b"\x80\x00\x00")
    assert sample(bench, barometer) == OK
    assert barometer.d1 == 0x80000


@pytest.mark.parametrize("cls", [VirtualBmp280, VirtualBme280])
def test_a_brown_out_in_a_conversion_is_noticed_and_begin_mends_it(cls):
    bench, chip, _, barometer = make(cls)
    barometer.begin()
    barometer.start_pressure()
    bench.clock.sleep_ms(2)
    chip.brown_out()
    bench.clock.sleep_ms(30)
    assert barometer.read_pressure() == AFTER_RESET
    assert barometer.begin() == OK and sample(bench, barometer) == OK


@pytest.mark.parametrize("cls", [VirtualBmp280, VirtualBme280])
def test_a_brown_out_between_two_conversions_is_noticed_and_begin_mends_it(cls):
    """Each start writes the measuring configuration again, so the chip goes on; `config` tells that it restarted."""
    bench, chip, _, barometer = make(cls)
    barometer.begin()
    chip.brown_out()
    bench.clock.sleep_ms(3)
    assert sample(bench, barometer) == AFTER_RESET
    assert barometer.begin() == OK and sample(bench, barometer) == OK
    assert cls is VirtualBmp280 or barometer.humidity != 0x8000


@pytest.mark.parametrize(("register", "byte"), [(0xF4, 0x34), (0xF5, 0x24)])
def test_a_configuration_hurt_on_its_way_is_no_restart(register, byte):
    bench, chip, _, barometer = make()
    barometer.begin()
    barometer.start_pressure()
    bench.clock.sleep_ms(30)
    chip.stick(register, bytes([byte]))
    assert barometer.read_pressure() == CRC_FAULT


@pytest.mark.parametrize("chip_id", [0x00, 0xFF, 0x59, 0x61])
def test_another_id_is_a_wrong_chip(chip_id):
    _, chip, _, barometer = make()
    chip.stick(0xD0, bytes([chip_id]))
    assert barometer.begin() == WRONG_CHIP


def test_an_ms5611_at_the_address_is_no_bmp280():
    bench = ChipBench(pressure_hpa=1000.0, box_c=20.0)
    i2c = bench.i2c({ADDRESS: bench.chip(VirtualMs5611, ideal=True)})
    assert BMP280(i2c, ADDRESS, bench.clock.sleep_ms).begin() in (WRONG_CHIP, BUS_FAULT)


@pytest.mark.parametrize("byte", [0, 5, 23])
@pytest.mark.parametrize("cls", [VirtualBmp280, VirtualBme280])
def test_a_bit_flipped_in_the_calibration_is_found_because_it_is_read_twice(cls, byte):
    _bench, chip, i2c, barometer = make(cls)
    plain = i2c.readfrom_mem_into

    def flip_once(address, register, buf):
        if register == 0x88 and chip:
            chip.flip(byte, 2)
            i2c.readfrom_mem_into = plain
        plain(address, register, buf)

    i2c.readfrom_mem_into = flip_once
    assert barometer.begin() == CRC_FAULT
    assert list(barometer.prom) == [0] * 12
    assert barometer.begin() == OK


def test_a_bit_flipped_in_the_humidity_calibration_is_found_too():
    _bench, chip, i2c, barometer = make(VirtualBme280)
    plain = i2c.readfrom_mem_into

    def flip_once(address, register, buf):
        if register == 0xE1:
            chip.flip(3, 0)
            i2c.readfrom_mem_into = plain
        plain(address, register, buf)

    i2c.readfrom_mem_into = flip_once
    assert barometer.begin() == CRC_FAULT


@pytest.mark.parametrize("value", [0x00, 0xFF])
def test_an_id_without_a_calibration_behind_it_is_refused(value):
    _, chip, _, barometer = make()
    chip.stick(0x88, bytes([value] * 24))
    assert barometer.begin() == WRONG_CHIP


@pytest.mark.parametrize(("register", "value"), [(0xF4, 0x70), (0xF5, 0x10)])
def test_a_chip_that_keeps_something_else_than_was_written_is_refused(register, value):
    _, chip, _, barometer = make()
    chip.stick(register, bytes([value]))
    assert barometer.begin() == REFUSED


def test_humidity_control_that_does_not_take_is_refused():
    _, chip, _, barometer = make(VirtualBme280)
    chip.stick(0xF2, b"\0")
    assert barometer.begin() == REFUSED


def test_a_calibration_copy_that_never_ends_is_given_up_in_bounded_time():
    bench, chip, _, barometer = make()
    chip.stick(0xF3, b"\x01")
    began = bench.clock.now_us
    assert barometer.begin() == TIMEOUT
    assert bench.clock.now_us - began < 20_000


def test_a_dead_bus_is_a_bus_fault_at_every_transfer():
    assert BMP280(DeadBus(), ADDRESS).begin() == BUS_FAULT
    for last in range(60):
        bench, _, i2c, _ = make(VirtualBme280)
        bus = DyingBus(i2c, last)
        barometer = BMP280(bus, ADDRESS, bench.clock.sleep_ms)
        status = barometer.begin()
        if status == OK:
            assert last > 10
            break
        assert status == BUS_FAULT, last
    else:
        pytest.fail("begin() never comes through")


REGISTERS = {0x88 + n: byte for n, byte in enumerate(struct.pack("<HhhHhhhhhhhh", *EXAMPLE))}
WORDS = bytes.fromhex(check_value("bmp280.registers.example")["inputs"]["F7..FC"].replace(" ", ""))
REGISTERS |= {0xF7 + n: byte for n, byte in enumerate(WORDS)} | {0xD0: 0x58, 0xF3: 0, 0xF4: 0x30, 0xF5: 0x20, 0xE0: 0}
ON_BOTH = f"""
from firmware.drivers.bmp280 import BMP280
from firmware.core.bmp280_pressure import pressure_pa
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    heap_lock = heap_unlock = lambda: None
class Bus:
    registers = {REGISTERS!r}
    def writeto(self, address, buf): pass
    def writeto_mem(self, address, register, buf): pass
    def readfrom_mem_into(self, address, register, buf):
        registers = self.registers
        for place in range(len(buf)):
            buf[place] = registers[register + place]
barometer = BMP280(Bus(), 0x76)
result = [barometer.begin(), 0, 0]
def turns():
    for _ in range(100):
        result[0] += barometer.begin()
        result[0] += barometer.start_pressure() + barometer.read_pressure()
        result[1] = pressure_pa(barometer.d1, barometer.d2, barometer.prom)
heap_lock()
turns()
heap_unlock()
print(result[0], barometer.d1, barometer.d2, result[1])
"""


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_the_data_sheets_example_on_both_pythons_without_allocating(interpreter):
    said = [int(word) for word in run(ON_BOTH, interpreter).split()]
    assert said == [0, ENTRY["inputs"]["adc_P"], ENTRY["inputs"]["adc_T"], ENTRY["expected"]["p_Q24.8"] >> 8]

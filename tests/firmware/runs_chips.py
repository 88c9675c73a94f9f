"""Bodies of test_flight_chips.py, for real MicroPython: the flight computer with BME280, TMP117 and INA226.

Each function is one test; it raises AssertionError or prints nothing.
"""

import json

import micropython

from shared_protocol import events, records
from tests.firmware.flight_bench import GOOD_SETTINGS, Flight
from tests.firmware.register_chips import ADC_P, EXAMPLE, Bus, ByteChip, PowerMeter, Thermometer

CHOSEN = {
    "pressure_chip": "bme280", "pressure_address": 0x76, "panel_chip": "ina226",
    "probe_outside_chip": "tmp117", "probe_inside_chip": "tmp117",
}  # fmt: skip


def flight_with(chips=None, **changes):
    settings = dict(GOOD_SETTINGS)
    settings.update(CHOSEN)
    settings.update(changes)
    chips = chips or {0x76: ByteChip(), 0x48: Thermometer(-55 * 128), 0x49: Thermometer(2560), 0x40: PowerMeter()}

    def prepare(board):
        board.i2c = Bus(chips)

    flight = Flight(settings=json.dumps(settings).encode(), prepare=prepare)
    flight.chips = chips
    return flight


def every_record_comes_at_its_rate():
    flight = flight_with()
    flight.run(122)
    for kind, expected in (
        (records.PRESSURE, 1200),
        (records.HUMIDITY, 120),
        (records.POWER, 600),
        (records.FINE_TEMPERATURE, 240),
    ):
        count = len(flight.records(kind))
        assert expected - expected // 50 - 2 <= count <= expected + expected // 50 + 1, (kind, count)
    assert len(flight.records(records.BMP280_CAL)) == len(flight.records(records.HUMIDITY_CAL)) == 3
    assert len(flight.records(records.I2C_PROBE)) == 6
    assert not flight.records(records.TEMPERATURE) and not flight.records(records.PRESSURE_CAL)
    assert flight.computer.journal.bus_errors == 0 and flight.computer.task_errors == 0


def records_say_what_the_chips_said():
    flight = flight_with()
    flight.run(10)
    assert flight.records(records.BMP280_CAL)[0] == (0, records.CHIP_BME280) + EXAMPLE  # noqa: RUF005 (MicroPython has no stars in tuples)
    assert flight.records(records.HUMIDITY_CAL)[0] == (0, records.CHIP_BME280, 75, 0, 362, 313, 50, 30)
    assert all(ADC_P <= entry[2] < ADC_P + 64 for entry in flight.records(records.PRESSURE))
    assert {entry[2] for entry in flight.records(records.HUMIDITY)} == {30000}
    probes = flight.records(records.I2C_PROBE)[:2]
    assert [entry[:3] for entry in probes] == [(0, records.CHIP_TMP117, 0x48), (1, records.CHIP_TMP117, 0x49)]
    assert probes[0][3] == b"\x01\x02\x03\x04\x05\x06\0\0" and probes[0][4][:7] == b"outside"
    raws = {(entry[0], entry[2] & ~1) for entry in flight.records(records.FINE_TEMPERATURE)}
    assert raws == {(0, -55 * 128), (1, 2560)}, raws
    assert flight.records(records.CHANNEL)[0][:3] == (0, records.CHIP_INA226, 0x4527)
    assert {entry[2] for entry in flight.records(records.POWER)} == {4000}
    assert flight.events(events.SELF_TEST) == [(events.SYSTEM, 0, 1, 0)]


def auto_finds_either_chip_at_either_address():
    for address in (0x76, 0x77):
        for chip_id, number in ((0x58, records.CHIP_BMP280), (0x60, records.CHIP_BME280)):
            chips = {address: ByteChip(chip_id), 0x40: PowerMeter()}
            flight = flight_with(chips, pressure_chip="auto", pressure_address=0x77)
            flight.run(5)
            identified = flight.events(events.CHIP_IDENTIFIED)
            assert identified == [(events.BAROMETER, 0, address, number)], identified
            assert flight.records(records.BMP280_CAL)[0][1] == number
            assert len(flight.records(records.PRESSURE)) > 40


def a_bmp280_where_the_settings_say_bme280_is_used_and_named():
    flight = flight_with({0x76: ByteChip(0x58)})
    flight.run(5)
    assert flight.events(events.CHIP_IDENTIFIED) == [(events.BAROMETER, 0, 0x76, records.CHIP_BMP280)]
    assert len(flight.records(records.PRESSURE)) > 40 and not flight.records(records.HUMIDITY)


def a_swapped_barometer_brings_its_own_calibration_before_its_first_reading():
    flight = flight_with()
    flight.run(10)
    other = ByteChip()
    other.registers[0x8E] ^= 1  # P1
    flight.chips[0x76].answers = False
    flight.run(3)
    flight.chips[0x76] = other
    flight.run(20)
    calibrations = []
    swapped_at = []
    from tests.firmware.logbook_bench import frames_of

    for _t, kind, payload in frames_of(flight.card):
        if kind == records.BMP280_CAL:
            calibrations.append(payload[8])
        elif kind == records.PRESSURE and payload[1] & records.FLAG_AFTER_RESET:
            swapped_at.append(calibrations[-1])
    assert swapped_at == [EXAMPLE[3] & 0xFF, EXAMPLE[3] & 0xFF ^ 1], swapped_at


def _locked(flight, prepare=None):
    """Two minutes of turns under a locked heap; `prepare()` is called under it after half of them."""
    flight.run(65)
    for number in range(flight.card.count):
        if flight.card.blocks[number] is None:
            flight.card.blocks[number] = bytearray(512)
    time = flight.board.time
    time.stop_ms = -1
    turn = flight.computer.schedule.turn
    errors = flight.computer.task_errors
    flight.computer.schedule._next_collect_ms = time.ms + 10**9
    begun = time.ms
    micropython.heap_lock()
    for number in range(3400):
        if number == 1700 and prepare is not None:
            prepare()
        pause = turn()
        if pause:
            time.sleep_ms(pause)
    micropython.heap_unlock()
    assert flight.computer.task_errors == errors, flight.computer.task_errors
    assert time.ms - begun > 100000


def two_minutes_with_every_chip_allocate_nothing():
    _locked(flight_with())


def two_minutes_in_which_a_chip_fails_allocate_nothing():
    for address in (0x76, 0x48, 0x40):
        flight = flight_with()
        chip = flight.chips[address]

        def fail(chip=chip):
            chip.answers = False

        _locked(flight, fail)
        flight.run(3)
        assert len(flight.events(events.CHIP_LOST)) == 1, address


def a_chip_that_comes_back_under_a_locked_heap_is_begun_without_allocating():
    for address in (0x76, 0x48, 0x40):
        flight = flight_with()
        flight.run(3)
        chip = flight.chips[address]
        chip.answers = False
        flight.run(12)

        def back(chip=chip):
            chip.answers = True

        _locked(flight, back)
        flight.run(3)
        assert len(flight.events(events.CHIP_BACK)) == 1, address

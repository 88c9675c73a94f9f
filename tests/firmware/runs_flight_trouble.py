"""Bodies of test_flight_computer.py, for real MicroPython: what goes wrong, and what it may cost.

Each function is one test; it raises AssertionError or prints nothing.
"""

import json

from firmware.core import signals
from firmware.drivers.ms5611 import prom_crc4
from shared_protocol import events, records
from tests.firmware.fakes import rom
from tests.firmware.flight_bench import GOOD_SETTINGS, Flight
from tests.firmware.ram_card import FatStorage, formatted_card


def missing_chips_cost_their_own_readings_only():
    def remove(board):
        board.barometer.answers = False
        board.onewire.silent = [rom(2)]

    flight = Flight(prepare=remove)
    flight.run(30)
    assert flight.events(events.CHIP_MISSING) == [(events.BAROMETER, 0, 0x77, 0), (events.THERMOMETER, 1, 0, 0)]
    assert flight.records(records.PRESSURE) == []
    assert {entry[0] for entry in flight.records(records.TEMPERATURE)} == {0}
    assert len(flight.records(records.POWER)) > 140
    bits = 1 << events.BAROMETER | 1 << events.THERMOMETER
    assert flight.events(events.SELF_TEST) == [(events.SYSTEM, 0, 0, bits)]
    assert flight.computer.signals.state == signals.NO_GO
    assert flight.board.led.changes > 100


def nothing_at_all_but_a_card_still_makes_a_log():
    def remove(board):
        board.barometer.answers = board.power_meter.answers = False
        board.onewire.silent = list(board.onewire.roms)
        board.uart.talks = False
        board.battery = board.led = board.sounder = None

    flight = Flight(prepare=remove)
    flight.run(30)
    assert len(flight.records(records.HEALTH)) >= 5
    assert flight.events(events.SELF_TEST)[0][2] == 0
    assert flight.computer.task_errors == 0


def a_chip_that_drops_out_is_lost_tried_again_restarted_and_back():
    flight = Flight()
    flight.run(10)
    resets = flight.board.barometer.resets
    flight.board.barometer.answers = False
    flight.run(20)
    assert flight.events(events.CHIP_LOST)[0][:2] == (events.BAROMETER, 0)
    before = len(flight.records(records.PRESSURE))
    flight.board.barometer.answers = True
    flight.board.barometer.prom[1] += 16  # another one was put in its place
    flight.board.barometer.prom[7] = prom_crc4(flight.board.barometer.prom)
    flight.run(15)
    assert flight.board.barometer.resets > resets
    back = flight.events(events.CHIP_BACK)
    assert len(back) == 1 and 20 <= back[0][2] <= 30, back
    readings = flight.records(records.PRESSURE)[before:]
    assert readings[0][1] == records.FLAG_AFTER_RESET | records.FLAG_BUS_ERROR, readings[0]
    assert flight.records(records.PRESSURE_CAL)[-1][3] == flight.board.barometer.prom[1]
    # the others never noticed
    assert len(flight.records(records.POWER)) > 215
    assert len(flight.events(events.CHIP_LOST)) == 1


def a_chip_that_answers_and_never_gives_a_reading_does_not_fill_the_log():
    flight = Flight()
    flight.run(5)
    flight.board.barometer.d1 = 0  # what a conversion that was not finished reads
    flight.run(120)
    assert len(flight.events(events.CHIP_RESTARTED)) == 1  # an MS5611 that lost its conversion has restarted
    assert len(flight.events(events.CHIP_LOST)) == 1  # and is lost when that did not help
    assert flight.events(events.CHIP_BACK) == []


def a_power_meter_that_restarted_in_silence_is_set_up_again():
    flight = Flight()
    flight.run(5)
    flight.board.power_meter.registers[0] = 0x399F  # its power-on configuration
    flight.board.power_meter.registers[5] = 0  # and calibration
    flight.run(15)
    assert flight.board.power_meter.registers[0] != 0x399F
    assert flight.board.power_meter.registers[5] != 0
    assert len(flight.events(events.CHIP_RESTARTED)) == len(flight.events(events.CHIP_BACK)) == 1
    assert flight.events(events.CHIP_LOST) == []


def a_thermometer_that_drops_out_never_changes_the_number_of_the_other():
    flight = Flight()
    flight.run(5)
    flight.board.onewire.silent = [rom(1)]
    before = len(flight.records(records.TEMPERATURE))
    flight.run(20)
    assert {(entry[0], entry[2]) for entry in flight.records(records.TEMPERATURE)[before + 2 :]} == {(1, 160)}
    flight.board.onewire.silent = []
    flight.run(20)
    assert {(entry[0], entry[2]) for entry in flight.records(records.TEMPERATURE)} == {(0, -320), (1, 160)}


def thermometers_are_numbered_by_the_settings():
    values = dict(GOOD_SETTINGS)
    values["probe_outside_rom"] = "".join([f"{byte:02x}" for byte in rom(2)])
    flight = Flight(settings=json.dumps(values).encode())
    flight.run(5)
    assert {(entry[0], entry[2]) for entry in flight.records(records.TEMPERATURE)} == {(0, 160), (1, -320)}


def an_exception_in_a_task_is_an_event_and_the_rest_goes_on():
    flight = Flight()
    flight.run(5)

    def broken():
        raise ValueError("the dog ate it")

    flight.computer.power.driver.read = broken
    flight.run(60)
    errors = flight.events(events.TASK_ERROR)
    assert 50 <= len(errors) <= 65 and errors[0][0] == events.POWER_METER, len(errors)
    notes = [entry[2].rstrip(b"\0") for entry in flight.records(records.NOTE)]
    assert b"ValueError: the dog ate it" in notes
    assert len(notes) <= 12
    assert len(flight.records(records.PRESSURE)) > 600
    assert len(flight.records(records.TEMPERATURE)) > 120


def broken_settings_are_an_event_with_the_keys_in_words():
    values = dict(GOOD_SETTINGS)
    values["led_pin"] = "green"
    del values["gnss_baud"]
    flight = Flight(settings=json.dumps(values).encode())
    flight.run(20)
    assert flight.events(events.SETTINGS_DEFAULTED) == [(events.SETTINGS, 0, 2, 0)]
    text = b"".join([entry[2].rstrip(b"\0") for entry in flight.records(records.NOTE)])
    assert b"led_pin" in text and b"gnss_baud" in text
    assert flight.records(records.BOOT)[0][2] & 2
    assert flight.computer.signals.state == signals.NO_GO


def no_settings_at_all_fly_on_the_defaults():
    flight = Flight(settings=b"")
    flight.run(10)
    assert flight.events(events.SETTINGS_DEFAULTED)[0][2] == len(GOOD_SETTINGS)
    assert len(flight.records(records.PRESSURE)) > 90


def no_card_is_a_no_go_and_a_card_put_in_later_is_used():
    card = formatted_card(20000)
    card.present = False
    flight = Flight(card)
    flight.run(20)
    assert flight.computer.signals.state == signals.NO_GO
    card.present = True
    flight.run(20)
    assert len(flight.events(events.CARD_BACK)) == 1
    assert len(flight.records(records.BOOT)) >= 1
    assert len(flight.records(records.PRESSURE)) > 100


def a_full_card_is_a_no_go_for_eyes_and_ears():
    card = formatted_card(3000)
    storage = FatStorage(card)
    storage.mount()
    file = storage.open("HOLIDAY.JPG", "wb")
    file.write(bytes(2850 * 512))
    file.close()
    flight = Flight(card)
    flight.run(12)
    assert flight.computer.signals.state == signals.NO_GO
    assert flight.computer.selftest.trouble == 1 << events.CARD
    led, sounder = flight.board.led.changes, flight.board.sounder.changes
    flight.run(40)
    assert flight.board.led.changes - led > 380  # a tenth of a second each
    assert flight.board.sounder.changes - sounder == 2 * 12  # six tones, every 20 s


def a_card_pulled_in_flight_costs_only_what_the_ring_could_not_hold():
    flight = Flight()
    flight.run(30)
    flight.card.present = False
    flight.run(2)
    flight.card.present = True
    flight.run(30)
    assert flight.computer.framer.dropped == 0
    assert len(flight.records(records.PRESSURE)) >= 600
    flight.card.present = False
    flight.run(60)
    flight.card.present = True
    flight.run(30)
    assert flight.computer.framer.dropped > 0
    assert flight.computer.logbook.number == 1


def rubbish_from_the_receiver_changes_nothing_else():
    def replace(board):
        state = 99
        bursts = []
        for _ in range(60):
            burst = bytearray(480)
            for place in range(480):
                state = (state * 1103515245 + 12345) & 0x7FFFFFFF
                burst[place] = state >> 16 & 0xFF
            bursts.append(burst)
        board.uart.bursts = bursts

    flight = Flight(prepare=replace)
    flight.run(60)
    assert flight.records(records.FIX) == []
    assert len(flight.records(records.PRESSURE)) > 570
    assert flight.computer.task_errors == 0

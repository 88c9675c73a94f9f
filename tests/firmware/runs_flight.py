"""Bodies of test_flight_computer.py, for real MicroPython: the whole flight computer on a small fake board.

Each function is one test; it raises AssertionError or prints nothing.
"""

import json
import struct

from firmware.core import signals
from firmware.core.boots import CAUSE_POWER
from firmware.core.settings import CHOICES, NUMBERS, ROMS, Settings
from firmware.drivers.ms5611 import prom_crc4
from firmware.start_up import build, start
from shared_protocol import events, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.fakes import TICKS_PERIOD, Boots, FakeBoard, FatStorage, Stop, formatted_card, rom
from tests.firmware.runs_logbook import frames_of, sectors_of

GOOD_SETTINGS = {key: entry[0] for key, entry in NUMBERS.items()}
GOOD_SETTINGS.update({key: choices[0] for key, choices in CHOICES.items()})
GOOD_SETTINGS.update(dict.fromkeys(ROMS, ""))
GOOD_SETTINGS.update({"contact": "Call the farm", "log_size_mib": 4})


class Flight:
    """A power-up of the flight computer on a fake board."""

    def __init__(self, card=None, boot=1, ticks=0, settings=None, prepare=None):
        self.card = card or formatted_card(20000)
        self.board = FakeBoard(FatStorage(self.card), ticks)
        if prepare:
            prepare(self.board)
        data = json.dumps(GOOD_SETTINGS).encode() if settings is None else settings
        settings, boots = Settings(data), Boots(boot)
        self.computer = build(self.board, settings, boots, CAUSE_POWER)
        start(self.computer, self.board, settings, boots, CAUSE_POWER)

    def run(self, seconds):
        time = self.board.time
        time.stop_ms = time.ms + 1000 * seconds
        try:  # noqa: SIM105 (MicroPython has no contextlib)
            self.computer.schedule.run()
        except Stop:
            pass

    def records(self, kind):
        """Unpacked payloads of one record type in the log so far."""
        layout = records.payload_format(records.declaration(kind)[2])
        return [struct.unpack(layout, payload) for _, found, payload in frames_of(self.card) if found == kind]

    def events(self, code):
        """(source, unit, a, b) of each such event."""
        return [entry[1:] for entry in self.records(records.EVENT) if entry[0] == code]


# --- the plain case --------------------------------------------------------------------------------------------------


def every_record_comes_at_its_rate():
    flight = Flight()
    flight.run(122)
    counts = {kind: len(flight.records(kind)) for kind in range(1, 13)}
    for kind, expected in (
        (records.PRESSURE, 1200),
        (records.POWER, 600),
        (records.TEMPERATURE, 240),
        (records.FIX, 120),
        (records.HEALTH, 24),
    ):
        assert expected - expected // 50 - 2 <= counts[kind] <= expected + expected // 50 + 1, (kind, counts[kind])
    # once at the start, once a minute; both probes each time
    assert counts[records.BOOT] == counts[records.PRESSURE_CAL] == counts[records.CHANNEL] == 3, counts
    assert counts[records.PROBE] == 6, counts
    assert flight.computer.framer.dropped == 0
    assert flight.computer.journal.bus_errors == 0
    assert flight.board.barometer.early_reads == flight.board.onewire.early_reads == 0


def readings_are_what_the_chips_said():
    flight = Flight()
    flight.run(10)
    board = flight.board
    assert set(flight.records(records.PRESSURE)[1:]) == {(0, 0, board.barometer.d1, board.barometer.d2)}
    assert {entry[2:] for entry in flight.records(records.PRESSURE_CAL)} == {tuple(board.barometer.prom)}
    assert {(entry[0], entry[2]) for entry in flight.records(records.TEMPERATURE)} == {(0, -320), (1, 160)}
    assert [entry[:3] for entry in flight.records(records.PROBE)[:2]] == [(0, 2, rom(1)), (1, 2, rom(2))]
    assert set(flight.records(records.POWER)[1:]) == {(0, 0, 0x2EE2, 1234)}
    channel = flight.records(records.CHANNEL)[0]
    assert channel[:2] == (0, 3) and channel[3] == 100000
    fix = flight.records(records.FIX)[3]
    assert fix[:3] == (2025, 6, 21) and fix[4:7] == (481173000, 115166667, 545400), fix
    health = flight.records(records.HEALTH)[-1]
    assert health[7:] == (40000, 6600), health
    boot = flight.records(records.BOOT)[0]
    assert boot[1] == CAUSE_POWER and boot[2] == 0 and boot[5] == board.unique_id(), boot


def the_first_reading_after_power_up_is_flagged_and_no_other():
    flight = Flight()
    flight.run(10)
    for kind in (records.PRESSURE, records.POWER):
        flags = [entry[1] for entry in flight.records(kind)]
        assert flags[0] == records.FLAG_AFTER_RESET and not any(flags[1:]), (kind, flags)


def times_are_those_of_the_measurement():
    """The chip's word changes at one instant; the first record that has the new one is not dated before it."""
    flight = Flight()
    flight.run(5)
    board = flight.board
    board.time.ms += 3
    changed_ms = board.time.ms
    board.barometer.d1 += 1000
    flight.run(5)
    first = None
    previous = None
    for _place, header, data in sectors_of(flight.card):
        for _at, kind, _seq, t_ms, payload in scan.frames(data, frame_salt(header[0], header[1]), 30):
            if kind == records.PRESSURE:
                if previous is not None:
                    assert 95 <= t_ms - previous <= 105
                previous = t_ms
                if first is None and struct.unpack("<BBII", payload)[2] == board.barometer.d1:
                    first = t_ms
    assert changed_ms - 11 <= first <= changed_ms + 100, (changed_ms, first)


def no_frame_waits_longer_than_a_second():
    flight = Flight()
    flight.run(30)
    newest = sectors_of(flight.card)[-1][1][7]
    assert flight.board.time.ms - newest <= 1000
    times = [header[7] for _, header, _ in sectors_of(flight.card)]
    assert max([times[k + 1] - times[k] for k in range(len(times) - 1)]) <= 1000


def self_test_says_go():
    flight = Flight()
    flight.run(10)
    assert flight.events(events.SELF_TEST) == [(events.SYSTEM, 0, 1, 0)]
    assert flight.computer.signals.state == signals.GO


# --- allocation ------------------------------------------------------------------------------------------------------


def a_thousand_turns_allocate_nothing():
    import micropython

    flight = Flight()
    flight.run(65)  # past the first minute's identity records
    for number in range(flight.card.count):  # a fake card makes its blocks when they are first written
        if flight.card.blocks[number] is None:
            flight.card.blocks[number] = bytearray(512)
    time = flight.board.time
    time.stop_ms = -1
    turn = flight.computer.schedule.turn
    journal = flight.computer.journal
    errors = flight.computer.task_errors
    committed = journal.sectors_written
    writes = flight.card.write_count
    collect_at = flight.computer.schedule._next_collect_ms
    flight.computer.schedule._next_collect_ms = time.ms + 10**9  # collecting is not what is tested, and can't be locked
    begun = time.ms
    micropython.heap_lock()
    for _ in range(3000):
        pause = turn()
        if pause:
            time.sleep_ms(pause)
    micropython.heap_unlock()
    assert collect_at > 0
    assert flight.computer.task_errors == errors
    assert flight.computer.framer.dropped == 0
    assert time.ms - begun > 120000  # every task had its turns, those of once a minute too
    assert journal.sectors_written - committed > 120
    assert flight.card.write_count - writes == journal.sectors_written - committed


def writing_is_exactly_one_block_a_sector_between_arming_and_the_end():
    flight = Flight()
    card = flight.card
    card.writes = []
    flight.run(300)
    assert len(card.writes) == flight.computer.journal.sectors_written
    assert card.writes == list(range(card.writes[0], card.writes[0] + len(card.writes)))


# --- what goes wrong -------------------------------------------------------------------------------------------------


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
    assert len(flight.events(events.CHIP_LOST)) == 1
    assert flight.events(events.CHIP_BACK) == []


def a_power_meter_that_restarted_in_silence_is_set_up_again():
    flight = Flight()
    flight.run(5)
    flight.board.power_meter.registers[0] = 0x399F  # its power-on configuration
    flight.run(15)
    assert flight.board.power_meter.registers[0] != 0x399F
    assert len(flight.events(events.CHIP_LOST)) == len(flight.events(events.CHIP_BACK)) == 1


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


# --- time, phases, resets --------------------------------------------------------------------------------------------


def nothing_is_lost_when_the_tick_counter_wraps():
    flight = Flight(ticks=TICKS_PERIOD - 15000)
    flight.run(31)
    assert 300 <= len(flight.records(records.PRESSURE)) <= 310
    assert flight.computer.clock.t_ms > 30000
    times = [header[7] for _, header, _ in sectors_of(flight.card)]
    assert times == sorted(times)


def a_reset_goes_on_in_the_same_log_as_the_next_boot():
    flight = Flight()
    flight.run(60)
    again = Flight(flight.card, boot=2)
    again.run(60)
    boots = [boot for boot, _kind, _payload in frames_of(flight.card)]
    assert set(boots) == {1, 2} and boots == sorted(boots)
    boot = again.records(records.BOOT)[-1]
    assert boot[2] & 1
    assert len(again.events(events.LOG_RESUMED)) == 1
    assert again.computer.logbook.number == 1


def landed_is_slower_sounds_and_finishes_the_log():
    flight = Flight()
    flight.run(20)
    card = flight.card
    phase = flight.computer.phase
    phase.phase = events.PHASE_DESCENDING
    flight.run(90)
    assert phase.phase == events.PHASE_LANDED
    assert flight.events(events.SOUNDER_ON) == [(events.SOUNDER, 0, 0, 0)]
    before = len(flight.records(records.PRESSURE))
    sounder = flight.board.sounder.changes
    flight.run(100)
    assert 80 <= len(flight.records(records.PRESSURE)) - before <= 110
    assert 30 <= flight.board.sounder.changes - sounder <= 42  # a tone every 5 s
    assert flight.events(events.LOG_FINISHED) == []
    flight.run(600)
    assert flight.events(events.LOG_FINISHED) == [(events.CARD, 0, 1, 0)]
    assert Flight(card, boot=2).computer.logbook.number == 2


def a_reset_after_landing_stays_landed():
    flight = Flight()
    flight.run(20)
    flight.computer.phase.phase = events.PHASE_LANDED
    flight.run(20)
    again = Flight(flight.card, boot=2)
    again.run(100)
    assert again.computer.phase.phase == events.PHASE_LANDED
    assert again.computer.signals.state == signals.LANDED
    assert again.board.sounder.changes >= 38


def a_launch_from_landed_measures_at_full_rate_again():
    flight = Flight()
    flight.run(20)
    flight.computer.phase.phase = events.PHASE_LANDED
    flight.computer.phase.receiver.clear()
    flight.run(5)
    barometer = flight.board.barometer
    for _ in range(90):
        barometer.d1 -= 2500  # about 0.5 hPa a second: 5 m/s
        flight.run(1)
    assert flight.computer.phase.phase == events.PHASE_ASCENDING
    assert flight.computer.barometer.period_ms == 100
    assert flight.computer.signals.state == signals.IN_FLIGHT
    changes = flight.events(events.PHASE)
    assert changes[-1][0] == events.BAROMETER and changes[-1][2] == events.PHASE_ASCENDING

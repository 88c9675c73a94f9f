"""Bodies of test_flight_computer.py, for real MicroPython: records, rates, allocation, time, phases, resets.

Each function is one test; it raises AssertionError or prints nothing.
"""

import struct

import micropython

from firmware.core import signals
from firmware.core.boots import CAUSE_POWER
from shared_protocol import events, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.fakes import TICKS_PERIOD, rom
from tests.firmware.flight_bench import Flight
from tests.firmware.logbook_bench import frames_of, sectors_of


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
    d1, d2 = board.barometer.d1, board.barometer.d2
    assert {entry[0:2] for entry in flight.records(records.PRESSURE)[1:]} == {(0, 0)}
    assert {entry[2] - d1 for entry in flight.records(records.PRESSURE)} <= {0, 1}  # the fake chip's noise
    assert {entry[3] - d2 for entry in flight.records(records.PRESSURE)} <= {0, 1}
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
                if first is None and struct.unpack("<BBII", payload)[2] >= board.barometer.d1:
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


def a_launch_from_landed_finds_nobody_resting():
    """Each reading comes at its full rate from the change on, and not one long period later."""
    flight = Flight()
    flight.run(20)
    flight.computer.phase.phase = events.PHASE_DESCENDING
    flight.run(90)
    assert flight.computer.health.period_ms == 50000
    barometer = flight.board.barometer
    while flight.computer.phase.phase != events.PHASE_ASCENDING:
        barometer.d1 -= 2500
        flight.run(1)
    assert flight.computer.health.period_ms == 5000
    changed_ms = flight.board.time.ms
    flight.run(60)
    for kind, period_ms in (
        (records.PRESSURE, 100),
        (records.POWER, 200),
        (records.TEMPERATURE, 1000),
        (records.FIX, 1000),
        (records.HEALTH, 5000),
    ):
        times = [changed_ms] + [t_ms for found, t_ms in times_of(flight) if found == kind and t_ms >= changed_ms]
        longest = max([times[k + 1] - times[k] for k in range(len(times) - 1)])
        assert longest <= period_ms + 200, (kind, longest)
        assert len(times) >= 59000 // period_ms, (kind, len(times))
    assert flight.computer.journal.bus_errors == 0


def times_of(flight):
    """(kind, t_ms) of every frame in the log."""
    found = []
    for _place, header, data in sectors_of(flight.card):
        for _at, kind, _seq, t_ms, _payload in scan.frames(data, frame_salt(header[0], header[1]), 30):
            found.append((kind, t_ms))
    return found


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

"""Bodies of test_second_copy.py, for real MicroPython on littlefs: what goes into the copy, and where a flight goes on.

Each function is one test; it raises AssertionError or prints nothing.
"""

from firmware import start_up
from shared_protocol import events, frame, records
from tests.firmware.copy_bench import (
    Flight,
    after_power_cut,
    events_of,
    frames_of,
    fresh_flash,
    no_card,
    sectors_of,
    settings,
)
from tests.firmware.ram_card import formatted_card


def one_reading_of_each_kind_in_five_seconds_and_everything_else():
    flash = fresh_flash()
    flight = Flight(flash=flash)
    flight.run(200)
    windows = [t_ms // 5000 for _, _, _, t_ms, _ in frames_of(flash, records.PRESSURE)]
    assert windows == list(range(windows[0], windows[0] + len(windows))) and len(windows) >= 30, windows
    for kind, each in ((records.TEMPERATURE, 2), (records.POWER, 1), (records.FIX, 1), (records.HEALTH, 1)):
        count = len(frames_of(flash, kind))
        assert each * (len(windows) - 2) <= count <= each * (len(windows) + 1), (kind, count)
    last_ms = frames_of(flash, records.PRESSURE)[-1][3]
    assert len(frames_of(flash, records.BOOT)) == len(flight.records(records.BOOT))
    told = [entry for entry in frames_of(flash, records.EVENT) if entry[3] < last_ms]
    assert len(told) >= len(flight.records(records.EVENT)) - 2


def the_first_sectors_are_the_text_and_each_part_begins_with_the_finders():
    flash = fresh_flash()
    flight = Flight(card=no_card(), flash=flash, settings=settings(128))
    flight.computer.copy.has_room = lambda now_ms, sectors: True  # all readings, so that the part is soon full
    flight.run(120)
    flash = after_power_cut(flash)
    texts = {}
    for number, header, sector in sectors_of(flash):
        if header[4] == frame.KIND_TEXT:
            texts[number] = frame.decode_text_sector(sector)
    assert "Call the farm" in texts[0] and "end of text" in "".join(texts.values())
    assert texts[63].startswith("THISTLEDOWN flight log, format 1, second copy.") and "Call the farm" in texts[63]


def a_power_up_goes_on_in_the_same_part_and_the_numbers_go_on():
    flash, card = fresh_flash(), formatted_card(12288)
    Flight(card=card, flash=flash).run(60)
    before = sectors_of(flash)
    Flight(card=card.after_cut(), flash=after_power_cut(flash), boot=2).run(60)
    numbers = [number for number, _, _ in sectors_of(after_power_cut(flash))]
    assert numbers == list(range(len(numbers))) and len(numbers) > len(before)
    headers = [header for _, header, _ in sectors_of(after_power_cut(flash))]
    assert {header[1] for header in headers} == {1, 2} and len({header[0] for header in headers}) == 1


def without_a_card_a_power_up_goes_on_in_the_copys_log_with_the_next_boot():
    flash = fresh_flash()
    first = Flight(card=no_card(), flash=flash)
    first.run(60)
    start_up.raise_boot = lambda number: number  # the board's own writes a file
    second = Flight(card=no_card(), flash=after_power_cut(flash), boot=1)  # the count of power-ups was lost
    second.run(60)
    assert second.computer.logbook.log_id == first.computer.logbook.log_id
    assert second.computer.logbook.boot == 2
    assert events_of(after_power_cut(flash), events.LOG_ALONE) == [(0, 0), (1, 0)]


def a_finished_log_is_not_gone_on_with():
    flash = fresh_flash()
    first = Flight(card=no_card(), flash=flash)
    first.run(30)
    first.computer.logbook.finished = True
    first.computer.log.phase_is = lambda phase, now_ms: None
    first.run(60)
    second = Flight(card=no_card(), flash=after_power_cut(flash), boot=2)
    assert second.computer.logbook.log_id != first.computer.logbook.log_id


def a_card_put_in_later_holds_the_log_that_was_begun_without_it():
    flash, card = fresh_flash(), no_card()
    flight = Flight(card=card, flash=flash)
    flight.run(40)
    log_id = flight.computer.logbook.log_id
    card.present = True
    flight.run(40)
    assert flight.computer.logbook.is_open and flight.computer.logbook.log_id == log_id
    assert flight.computer.logbook.continues == 0
    assert len(flight.records(records.PRESSURE)) > 300


def another_log_on_a_card_put_in_later_is_left_alone():
    card = formatted_card(20000)
    other = Flight(card=card)
    other.run(20)
    other_id = other.computer.logbook.log_id
    card = card.after_cut()
    card.present = False
    flight = Flight(card=card, flash=fresh_flash(), boot=7)
    flight.run(20)
    card.present = True
    flight.run(20)
    assert flight.computer.logbook.is_open and flight.computer.logbook.number == 2
    assert flight.computer.logbook.log_id != other_id


def a_ring_that_is_full_gives_up_its_oldest_part():
    flash = fresh_flash()
    flight = Flight(card=no_card(), flash=flash, settings=settings(64))
    copy = flight.computer.copy
    copy.has_room = lambda now_ms, sectors: True  # all readings, so that the ring is soon full
    flight.run(220)
    numbers = [number for number, _, _ in sectors_of(flash)]
    assert numbers[0] >= 63 and numbers == list(range(numbers[0], numbers[0] + len(numbers))), numbers
    assert sorted(flash.names()) == ["part000.log", "part001.log"]


def a_finished_flight_is_not_overwritten():
    flash = fresh_flash()
    flight = Flight(card=no_card(), flash=flash, settings=settings(64))
    flight.computer.copy.has_room = lambda now_ms, sectors: True
    flight.run(40)
    flight.computer.logbook.finished = True
    flight.computer.log.phase_is = lambda phase, now_ms: None
    flight.run(200)
    assert sectors_of(flash)[0][0] == 0


def flash_that_is_nearly_full_is_not_filled():
    flash = fresh_flash(48)  # 192 KiB, and 64 of them are never touched
    flight = Flight(flash=flash, settings=settings(960))
    flight.run(30)
    ((_source, _unit, kib, wanted),) = flight.events(events.COPY_SMALL)
    assert wanted == 960 and 64 <= kib <= 128
    assert flash.free_kib() >= 64


def flash_that_refuses_writes_costs_nothing_but_the_copy():
    flash = fresh_flash()
    flight = Flight(flash=flash)
    flight.run(30)
    flash.chip.fail = 1000000
    flight.run(60)
    assert len(flight.events(events.COPY_ERROR)) >= 2
    assert flight.computer.task_errors == 0 and flight.computer.framer.dropped == 0
    flash.chip.fail = 0
    flight.run(120)
    assert flight.computer.copy.is_well


def flash_that_can_not_be_read_is_no_go_and_flown_without():
    from tests.firmware.fakes import NoFlash

    flight = Flight(flash=NoFlash())
    flight.run(30)
    ((_source, _unit, go, trouble),) = flight.events(events.SELF_TEST)
    assert (go, trouble) == (0, 1 << events.FLASH)
    assert len(flight.records(records.PRESSURE)) > 250


def every_part_of_the_copy_allocates_nothing_but_a_new_part():
    import micropython

    flash = fresh_flash()
    flight = Flight(flash=flash)
    flight.run(65)
    for number in range(flight.card.count):
        if flight.card.blocks[number] is None:
            flight.card.blocks[number] = bytearray(512)
    before = len(sectors_of(flash))
    schedule = flight.computer.schedule
    time = flight.board.time
    time.stop_ms = -1
    schedule._next_collect_ms = time.ms + 10**9
    end_ms = time.ms + 60000
    micropython.heap_lock()
    try:
        while time.ms < end_ms:
            pause = schedule.turn()
            if pause:
                time.sleep_ms(pause)
    finally:
        micropython.heap_unlock()
    assert flight.computer.task_errors == 0
    assert flight.events(events.COPY_ERROR) == []
    assert len(sectors_of(flash)) >= before + 3

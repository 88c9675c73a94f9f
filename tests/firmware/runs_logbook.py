"""Bodies of test_logbook.py, for real MicroPython: arming, resuming, and what begins a new log.

Each function is one test; it raises AssertionError or prints nothing.
"""

import struct
from binascii import crc32

from shared_protocol import events, frame
from tests.firmware.logbook_bench import Power, cut_and_resume, events_of, marks_of, sectors_of
from tests.firmware.ram_card import FatStorage, formatted_card


def an_empty_card_gets_a_log_of_full_size_that_explains_itself():
    card = formatted_card()
    power = Power(card, 1)
    assert power.open()
    assert power.storage.names() == ["TD000001.LOG"]
    assert power.storage.size("TD000001.LOG") == 1048576
    found = sectors_of(card)[:-1]  # the last one says that the log was armed
    texts = [frame.decode_text_sector(data) for _, header, data in found]
    assert [entry[0] for entry in found] == list(range(len(found)))
    assert None not in texts
    assert texts[0].startswith("THISTLEDOWN flight log") and "Call the farm" in texts[0]
    assert texts[-1].endswith("end of text")
    assert power.logbook.first_sector == len(found)
    assert not power.logbook.resumed
    power.fly(3, 0)
    assert [entry[0] for entry in sectors_of(card)] == list(range(len(found) + 4))
    assert (events.LOG_ARMED, 1, 2048) in events_of(card)


def one_block_write_a_commit_and_nothing_else():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    power.fly(1, 0)
    card.writes = []
    card.reads = 0
    power.fly(1000, 13)
    assert len(card.writes) == 1000, len(card.writes)
    assert card.reads <= 1000
    assert len(set(card.writes)) == 1000  # each sector once
    assert card.writes == sorted(card.writes)


def a_power_up_goes_on_in_the_same_log_and_writes_nothing_to_do_so():
    for length in (0, 1, 2, 3, 7, 8, 9, 10, 63, 64, 65, 100, 500, 1000):
        card = formatted_card()
        first = Power(card, 1)
        first.open()
        mark = first.fly(length, 0)
        card.writes = []
        card.reads = 0
        second = Power(card, 2)
        assert second.logbook.open(0)
        assert card.writes == []
        assert second.logbook.resumed
        assert second.logbook.log_id == first.logbook.log_id
        assert second.logbook.first_sector == first.start + length + 1, length
        assert second.logbook.resume_reads <= 110, (length, second.logbook.resume_reads)
        assert card.reads <= 150, (length, card.reads)
        assert second.commit_all()
        mark = second.fly(3, mark)
        assert len(card.writes) == 4
        assert marks_of(card) == list(range(mark)), length


def many_power_ups_leave_holes_and_every_frame():
    card = formatted_card()
    mark = 0
    for boot in range(1, 41):
        power = Power(card, boot)
        assert power.open()
        mark = power.fly(boot % 4, mark)
    assert marks_of(card) == list(range(mark))
    places = [entry[0] for entry in sectors_of(card)]
    assert max([places[k + 1] - places[k] for k in range(len(places) - 1)]) == 2


def a_finished_log_is_followed_by_a_new_one_with_another_id():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    power.fly(5, 0)
    power.logbook.finish(0, True)
    power.fly(1, 0)
    again = Power(card, 2)
    assert again.open()
    assert again.storage.names() == ["TD000001.LOG", "TD000002.LOG"]
    assert again.logbook.log_id != power.logbook.log_id
    assert (events.LOG_FINISHED, 1, 0) in events_of(card)


def a_finish_that_was_taken_back_is_resumed():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    power.logbook.finish(0, True)
    power.fly(2, 0)
    power.logbook.finish(0, False)
    power.fly(2, 0)
    assert cut_and_resume(card).logbook.resumed


def a_nearly_full_log_is_followed_by_a_new_one():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    power.fly(2048 - power.start - 661, 0)
    assert cut_and_resume(card).logbook.resumed
    power = Power(card, 3)
    assert power.open() and not power.logbook.resumed
    assert power.logbook.number == 2


def a_log_that_runs_full_in_flight_is_followed_at_once_and_nothing_is_lost():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    mark = power.fly(2048 - power.start + 50, 0)
    assert power.logbook.number == 2
    assert marks_of(card, 1) + marks_of(card, 2) == list(range(mark))
    assert (events.LOG_FULL, 1, 0) in events_of(card, 2)


def a_file_that_is_no_log_is_left_alone():
    for content in (b"", b"a text file", b"\xff" * 5000, b"\xa5\x5a\x00\x10" * 2000):
        card = formatted_card()
        storage = FatStorage(card)
        storage.mount()
        file = storage.open("TD000007.LOG", "wb")
        file.write(content)
        file.close()
        file = storage.open("TD00000X.LOG", "wb")
        file.close()
        power = Power(card, 1)
        assert power.open()
        assert power.logbook.number == 8
        file = power.storage.open("TD000007.LOG", "rb")
        assert file.read() == content
        file.close()


def a_log_of_another_format_version_is_left_alone():
    card = formatted_card()
    storage = FatStorage(card)
    storage.mount()
    body = struct.pack("<HBBHIIIIBBH", frame.SYNC, 0, 16, 0, 0, 77, 1, 0, frame.FORMAT_VERSION + 1, 0, 0)
    file = storage.open("TD000001.LOG", "wb")
    file.write(body + struct.pack("<I", crc32(body)) + bytes(512 * 3000))
    file.close()
    power = Power(card, 1)
    assert power.open()
    assert power.logbook.number == 2


def a_hurt_first_sector_does_not_hide_the_log():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    card.writes = []
    power.fly(20, 0)
    first_block = card.writes[0] - power.start
    for number in range(3):
        card.blocks[first_block + number] = None
    again = cut_and_resume(card)
    assert again.logbook.resumed and again.logbook.number == 1
    assert again.logbook.first_sector == power.start + 21


def an_older_log_behind_the_end_is_not_taken_for_this_one():
    card = formatted_card(6000)
    old = Power(card, 1, size_mib=2)
    old.open()
    old.fly(1500, 0)
    old.storage.remove("TD000001.LOG")
    new = Power(card, 1, size_mib=2)  # the same boot number, the same place on the card
    new.open()
    mark = new.fly(40, 100000)
    again = cut_and_resume(card)
    assert again.logbook.resumed
    assert again.logbook.first_sector == new.start + 41
    assert marks_of(card) == list(range(100000, mark))


def the_boot_number_is_raised_above_the_log_when_the_flash_has_lost_its_count():
    card = formatted_card()
    power = Power(card, 41)
    power.open()
    power.fly(3, 0)
    again = Power(card, 1)
    again.open()
    assert again.boots.count == 42
    again.fly(2, 39)
    assert sectors_of(card)[-1][1][1] == 42
    assert marks_of(card) == list(range(65))


def the_phase_travels_in_the_headers():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    power.logbook.phase = events.PHASE_DESCENDING
    power.fly(3, 0)
    assert cut_and_resume(card).logbook.phase == events.PHASE_DESCENDING


def a_card_with_less_room_than_asked_for_gives_what_it_has():
    card = formatted_card(3000)
    power = Power(card, 1, size_mib=64)
    assert power.open()
    assert 1000000 < power.storage.size("TD000001.LOG") < 3000 * 512
    power.fly(20, 0)
    assert cut_and_resume(card).logbook.resumed


def card_with_pictures(sectors):
    """A card of some 2 900 sectors of data with a file of so many on it, and a storage to remove that."""
    card = formatted_card(3000)
    storage = FatStorage(card)
    storage.mount()
    file = storage.open("HOLIDAY.JPG", "wb")
    file.write(bytes(sectors * 512))
    file.close()
    return card, storage


def a_full_card_is_left_as_it_was_and_named_and_tried_again_once_a_minute():
    card, storage = card_with_pictures(2850)
    power = Power(card, 1)
    assert not power.open()
    assert power.storage.names() == ["HOLIDAY.JPG"]
    assert power.logbook.is_short
    ready = []
    for second in range(1, 200):
        power.time.ms = 1000 * second
        if second == 100:
            storage.mount()
            storage.remove("HOLIDAY.JPG")
        card.writes = []
        ready.append(power.logbook.ready(power.time.ms))
        assert (len(card.writes) > 0) == (second in (60, 120)), second
    assert ready.index(True) == 119
    assert not power.logbook.is_short
    assert power.commit_all()
    assert [entry for entry in events_of(card) if entry[0] == events.CARD_FULL] == [(events.CARD_FULL, 0, 0)]


def a_log_that_is_short_for_want_of_room_is_named_also_when_it_is_resumed():
    card, _ = card_with_pictures(2300)
    power = Power(card, 1)
    assert power.open() and power.logbook.is_short
    ((_, room, _),) = [entry for entry in events_of(card) if entry[0] == events.CARD_FULL]
    assert 256 < room < 1024 and power.storage.size("TD000001.LOG") // 512 - room < 20
    again = Power(formatted_card(6000), 1)  # what the settings ask for is not short
    assert again.open() and not again.logbook.is_short
    card, _ = card_with_pictures(1500)  # too little, and enough to be gone on with
    power = Power(card, 1)
    power.open()
    assert not power.logbook.is_short  # more than half of the mebibyte that was asked for
    power.fly(500, 0)
    resumed = cut_and_resume(card)
    assert resumed.logbook.resumed and resumed.logbook.is_short


def a_log_at_its_end_on_a_card_without_room_for_another_is_said_to_be_full_and_so_is_the_card():
    card, storage = card_with_pictures(2300)
    power = Power(card, 1)
    power.open()
    mark = 0
    while power.logbook.is_open:
        power.put(mark)
        mark += 1
        power.commit_all()
    assert power.logbook.is_short and power.logbook.away_ms(power.time.ms + 5000) >= 5000
    assert power.storage.names() == ["HOLIDAY.JPG", "TD000001.LOG"]
    storage.mount()
    storage.remove("HOLIDAY.JPG")
    power.time.ms += 70000
    assert power.logbook.ready(power.time.ms)
    assert power.commit_all()
    codes = [entry[:2] for entry in events_of(card, 2)]
    for told in ((events.LOG_FULL, 1), (events.CARD_LOST, 1), (events.CARD_FULL, 0), (events.LOG_ARMED, 2)):
        assert codes.count(told) == 1, told

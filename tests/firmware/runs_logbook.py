"""Bodies of test_logbook.py, for real MicroPython: the logbook on its FAT driver and a card in memory.

Each function is one test; it raises AssertionError or prints nothing.
"""

import struct

from firmware.core.framer import PAYLOAD, Frame, Framer
from firmware.core.journal import Journal
from firmware.core.log_arm import log_name
from firmware.core.logbook import Logbook
from firmware.core.schedule import Clock
from shared_protocol import events, frame, records, scan
from shared_protocol.crc import frame_salt
from tests.firmware.fakes import Boots, FatStorage, Stop, VirtualTime, formatted_card

FRAMES_EACH = 13  # health frames that fill a sector


class Power:
    """One power-up: everything above the card made anew."""

    def __init__(self, card, boot, size_mib=1, **settings):
        self.card = card
        self.time = VirtualTime()
        self.clock = Clock(self.time.ticks_ms, self.time.ticks_diff)
        self.framer = Framer(self.clock)
        self.journal = Journal(self.framer)
        self.boots = Boots(boot)
        self.storage = FatStorage(card)
        settings["contact"] = "Call the farm"
        settings["log_size_mib"] = size_mib
        self.fed = 0
        raise_boot = self.boots.at_least
        self.logbook = Logbook(
            self.storage, self.framer, self.journal, self.clock, boot, raise_boot, settings, self.feed
        )
        self.health = Frame(records.HEALTH)
        self.start = 0
        self.committed = []  # marks of frames in sectors that were reported safe
        self._waiting = []

    def open(self):
        """Open the log and commit what it says about that; where the first sector of readings will go is `start`."""
        is_open = self.logbook.open(self.time.ms)
        if is_open:
            assert self.commit_all()
            self.start = self.logbook._next
        return is_open

    def feed(self):
        self.fed += 1

    def put(self, mark):
        struct.pack_into(self.health.format, self.health.buffer, PAYLOAD, 0, 0, 0, 0, 0, mark, 0, 0, 0)
        self.framer.put(self.health, self.time.ms)
        self._waiting.append(mark)

    def commit_all(self):
        """Commit everything; the marks put so far then count as safe."""
        while self.framer.has_frames():
            if not self.logbook.commit(self.time.ms):
                return False
            self.time.ms += 100
        self.committed += self._waiting
        self._waiting = []
        return True

    def fly(self, sectors, mark):
        """Put and commit so many sectors; the next mark."""
        for _ in range(sectors):
            for _ in range(FRAMES_EACH):
                self.put(mark)
                mark += 1
            assert self.commit_all()
        return mark


def sectors_of(card, number=1):
    """Every sector of a log file that has an intact header of its own log: list of (place, header, bytes)."""
    storage = FatStorage(card)
    storage.mount()
    file = storage.open(log_name(number), "rb")
    buf = bytearray(512)
    found = []
    place = 0
    while file.readinto(buf) == 512:
        header = frame.decode_header(buf)
        if header is not None and header[2] == place and (not found or header[0] == found[0][1][0]):
            found.append((place, header, bytes(buf)))
        place += 1
    file.close()
    return found


def frames_of(card, number=1):
    """(boot, type, payload) of every frame in a log, in the order of its sectors."""
    found = []
    for _place, header, data in sectors_of(card, number):
        if header[4] == frame.KIND_FRAMES:
            for _at, kind, _seq, _t, payload in scan.frames(data, frame_salt(header[0], header[1]), frame.HEADER_SIZE):
                found.append((header[1], kind, payload))
    return found


def marks_of(card, number=1):
    return [
        struct.unpack_from("<I", payload, 10)[0]
        for _, kind, payload in frames_of(card, number)
        if kind == records.HEALTH
    ]


def events_of(card, number=1):
    """(code, a, b) of every event in a log."""
    found = []
    for _, kind, payload in frames_of(card, number):
        if kind == records.EVENT:
            code, _source, _unit, a, b = struct.unpack("<HBBii", payload)
            found.append((code, a, b))
    return found


def cut_and_resume(card, boot=2):
    power = Power(card, boot)
    assert power.open()
    return power


# --- arming and resuming ---------------------------------------------------------------------------------------------


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
    from binascii import crc32

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


def a_full_card_is_left_as_it_was():
    card = formatted_card(3000)
    storage = FatStorage(card)
    storage.mount()
    file = storage.open("HOLIDAY.JPG", "wb")
    file.write(bytes(2850 * 512))
    file.close()
    power = Power(card, 1)
    assert not power.open()
    assert power.storage.names() == ["HOLIDAY.JPG"]


# --- power cuts ------------------------------------------------------------------------------------------------------


def writes_of_arming():
    card = formatted_card()
    before = card.write_count
    Power(card, 1).open()
    return card.write_count - before


def a_cut_at_any_write_of_arming_leaves_a_card_that_can_be_armed():
    for used in (False, True):
        for cut in range(1, writes_of_arming() + 1):
            card = formatted_card(6000)
            if used:  # an older flight in the very place
                old = Power(card, 1)
                old.open()
                old.fly(30, 500000)
                old.storage.remove("TD000001.LOG")
            card.cut_after = cut
            try:
                Power(card, 1).open()
                raise AssertionError("the power was not cut")
            except Stop:
                pass
            card = card.after_cut()
            power = Power(card, 2)
            assert power.open(), cut
            mark = power.fly(3, 0)
            number = power.logbook.number
            assert marks_of(card, number) == list(range(mark)), (cut, used)
            text = [frame.decode_text_sector(data) for _, header, data in sectors_of(card, number) if header[4] == 1]
            assert text[-1].endswith("end of text")
            again = Power(card, 3)
            assert again.open() and again.logbook.resumed and again.logbook.number == number


def a_cut_at_any_of_the_first_50_commits_loses_nothing_committed():
    for cut in range(1, 51):
        card = formatted_card(6000)
        power = Power(card, 1)
        power.open()
        card.cut_after = cut
        try:
            power.fly(60, 0)
            raise AssertionError("the power was not cut")
        except Stop:
            pass
        card = card.after_cut()
        again = Power(card, 2)
        assert again.open() and again.logbook.resumed
        last = 100000
        last = again.fly(2, last)
        found = marks_of(card)
        safe = power.committed + again.committed
        assert [mark for mark in safe if mark not in found] == [], cut
        # what a torn sector still gives is whole frames, never wrong ones
        extra = [mark for mark in found if mark not in safe]
        assert all((cut - 1) * FRAMES_EACH <= mark < cut * FRAMES_EACH for mark in extra), (cut, extra)
        third = Power(card, 3)
        assert third.open() and third.logbook.resumed
        last = third.fly(1, last)
        found = marks_of(card)
        assert [mark for mark in safe + third.committed if mark not in found] == []


# --- a card that says no ---------------------------------------------------------------------------------------------


def a_refused_sector_goes_to_the_next_place_with_the_same_frames():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    mark = power.fly(5, 0)
    card.fail = 1
    card.writes = []
    mark = power.fly(5, mark)
    assert marks_of(card) == list(range(mark))
    assert power.journal.card_errors == 1
    first = power.start
    places = [entry[0] for entry in sectors_of(card)]
    assert first + 5 not in places and first + 6 in places
    assert (events.CARD_ERROR, 5, first + 5) in events_of(card)
    assert cut_and_resume(card).logbook.first_sector == places[-1] + 2


def six_refusals_lose_the_card_and_a_later_try_finds_it_again_with_all_that_waited():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    mark = power.fly(10, 0)
    card.fail = 6
    for _ in range(FRAMES_EACH):
        power.put(mark)
        mark += 1
    assert not power.commit_all()
    assert not power.logbook.commit(power.time.ms)
    assert not power.logbook.commit(power.time.ms)
    assert not power.logbook.is_open
    assert card.fail == 0
    assert not power.logbook.ready(power.time.ms + 2999)
    for _ in range(FRAMES_EACH):
        power.put(mark)
        mark += 1
    card.writes = []
    assert power.logbook.ready(power.time.ms + 3000)
    assert card.writes == []
    assert power.commit_all()
    assert marks_of(card) == list(range(mark))
    codes = [entry[0] for entry in events_of(card)]
    assert codes.count(events.CARD_ERROR) == 6
    assert codes.count(events.CARD_LOST) == codes.count(events.CARD_BACK) == 1
    assert cut_and_resume(card).logbook.resumed


def a_card_that_answers_and_never_takes_a_sector_gets_a_new_log_elsewhere():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    mark = power.fly(3, 0)
    card.dead = range(card.last_block + 1, card.last_block + 1000)
    power.put(mark)
    for _ in range(40):
        power.time.ms += 5000
        if power.logbook.ready(power.time.ms) and power.commit_all():
            break
    assert power.logbook.number == 2
    assert marks_of(card, 1) + marks_of(card, 2) == list(range(mark + 1))


def no_card_at_power_up_costs_only_the_records_and_the_card_is_found_later():
    card = formatted_card()
    card.present = False
    power = Power(card, 1)
    assert not power.open()
    for mark in range(300):  # more than the ring takes
        power.put(mark)
    assert power.framer.dropped > 0
    assert not power.logbook.ready(2999)
    card.present = True
    assert power.logbook.ready(3000)
    power.commit_all()
    found = marks_of(card)
    assert found == list(range(len(found))) and 70 < len(found) < 300
    assert (events.CARD_BACK, 3, 0) in events_of(card)
    assert power.framer.seq > 300  # the dropped ones used up their numbers


def no_sector_is_written_twice_whatever_the_card_refuses():
    card = formatted_card()
    power = Power(card, 1)
    power.open()
    card.writes = []
    mark = 0
    state = 12345
    for _ in range(400):
        state = (state * 1103515245 + 12345) & 0x7FFFFFFF
        if state >> 16 & 7 == 0:
            card.fail = 1 + (state >> 20 & 3)
        power.put(mark)
        mark += 1
        power.time.ms += 1000
        if power.logbook.ready(power.time.ms):
            power.commit_all()
    card.fail = 0
    power.time.ms += 5000
    assert power.logbook.ready(power.time.ms) and power.commit_all()
    assert marks_of(card) == list(range(mark))
    assert len(card.writes) == len(set(card.writes))


def the_first_sector_is_read_back():
    card = formatted_card()
    power = Power(card, 1)
    power.logbook.open(0)
    assert power.logbook.verified == 0
    power.fly(1, 0)
    assert power.logbook.verified == 1
    card = formatted_card()
    power = Power(card, 1)
    power.logbook.open(0)
    card.forgets = True
    power.fly(1, 0)
    assert power.logbook.verified == -1

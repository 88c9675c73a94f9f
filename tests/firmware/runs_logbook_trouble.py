"""Bodies of test_logbook.py, for real MicroPython: power cuts, and cards that say no.

Each function is one test; it raises AssertionError or prints nothing.
"""

from shared_protocol import events, frame
from tests.firmware.logbook_bench import (
    FRAMES_EACH,
    Power,
    cut_and_resume,
    events_of,
    marks_of,
    sectors_of,
)
from tests.firmware.ram_card import PowerCut, formatted_card


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
            except PowerCut:
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
        except PowerCut:
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


def a_card_that_takes_long_to_say_no_is_asked_again_after_longer():
    power = Power(formatted_card(), 1)
    tries = []

    def mount():
        tries.append(power.time.ms)
        power.time.ms += 2000
        raise OSError(110)

    power.storage.mount = mount
    assert not power.open()
    while power.time.ms < 100000:
        power.time.ms += 100
        power.logbook.ready(power.time.ms)
    pauses = [after - before for before, after in zip(tries, tries[1:])]  # noqa: B905, RUF007 (not over there)
    assert 5 <= len(pauses) <= 6 and min(pauses) >= 2000 + 8 * 2000 and max(pauses) <= 2000 + 8 * 2000 + 200, pauses


def a_slow_card_gets_a_log_as_large_as_it_can_make_in_ten_seconds():
    for write_ms, whole in ((10, True), (500, False)):
        card = formatted_card(65536)
        power = Power(card, 1, size_mib=24)
        plain = card.writeblocks

        def slow(block, buf):
            power.time.ms += write_ms  # noqa: B023 (called before the loop goes on)
            plain(block, buf)  # noqa: B023

        card.writeblocks = slow
        assert power.logbook.open(0)
        assert power.time.ms < 10000 + 8 * write_ms
        size_mib = power.storage.size("TD000001.LOG") >> 20
        assert size_mib == 24 if whole else 1 <= size_mib < 12, size_mib
        mark = power.fly(3, 0)
        assert marks_of(card) == list(range(mark))
        assert cut_and_resume(card).logbook.resumed

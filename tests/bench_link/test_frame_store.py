"""Frames from the line on their way to tables: counted, packed, kept apart by boot."""

import struct

from ground.bench.link_frames import FrameStore, tables_of
from shared_protocol import records

POWER_PAYLOAD = struct.Struct("<BBHh")


def add(store, number, t_ms=None, bus=8000):
    """One power reading."""
    store.add(records.POWER, number & 0xFFFF, 200 * number if t_ms is None else t_ms, POWER_PAYLOAD.pack(0, 0, bus, 5))


def filled(numbers, boot=3):
    """A store with readings of these numbers."""
    store = FrameStore()
    store.begin_boot(boot)
    for number in numbers:
        add(store, number)
    return store


def test_nothing_gives_no_tables():
    assert tables_of(FrameStore().sectors()) == {}


def test_every_frame_becomes_a_row_however_many_there_are():
    for count in (1, 24, 25, 26, 500):
        tables = tables_of(filled(range(count)).sectors())
        assert len(tables["power"]) == count
        assert set(tables["power"]["boot"].tolist()) == {3}


def test_numbers_that_never_came_are_missing():
    assert filled(range(10)).missing == 0
    assert filled([0, 1, 4, 5, 9]).missing == 5


def test_numbers_go_round_without_a_gap():
    assert filled(range(0xFFFE, 0x10003)).missing == 0


def test_a_new_boot_begins_anew_and_the_old_rows_stay():
    store = filled(range(5), boot=3)
    store.begin_boot(4)
    for number in range(7):
        add(store, number)
    assert store.missing == 0 and store.count == 12
    boots = tables_of(store.sectors())["power"]["boot"].tolist()
    assert boots == [3] * 5 + [4] * 7


def test_the_same_boot_named_again_changes_nothing():
    store = filled(range(5))
    store.begin_boot(3)
    add(store, 7)
    assert store.missing == 2


def test_tables_may_be_asked_for_at_any_time():
    store = filled(range(3))
    first = store.sectors()
    assert len(tables_of(first)["power"]) == 3
    add(store, 3)
    assert len(tables_of(store.sectors())["power"]) == 4

"""The count of power-ups survives cuts and hurt files; the cause of a start has our own word for our own reset."""

import itertools

import pytest

from firmware.core import boots as module
from firmware.core.boots import CAUSE_OWN_RESET, CAUSE_POWER, CAUSE_UNKNOWN, CAUSE_WATCHDOG, Boots, reset_cause


@pytest.fixture
def path(tmp_path):
    return str(tmp_path / "boots")


def power_up(path):
    boots = Boots(path)
    return boots.power_up()


def test_power_ups_are_counted(path):
    assert [power_up(path) for _ in range(20)] == list(range(1, 21))


def test_a_cut_in_the_middle_of_writing_never_loses_the_count(path, tmp_path):
    count = 0
    for size in itertools.chain(range(16), range(16)):
        count = power_up(path)
        boots = Boots(path)
        boots.power_up()
        newest = tmp_path / f"boots_{'ab'[boots._newest]}.bin"
        newest.write_bytes(newest.read_bytes()[:size])  # as if the power had gone while it was written
        assert Boots(path).count == count
    assert power_up(path) == count + 1


def test_a_flipped_bit_is_noticed(path, tmp_path):
    for _ in range(5):
        power_up(path)
    good = {name: (tmp_path / name).read_bytes() for name in ("boots_a.bin", "boots_b.bin")}
    for name, data in good.items():
        for bit in range(128):
            hurt = bytearray(data)
            hurt[bit // 8] ^= 1 << bit % 8
            (tmp_path / name).write_bytes(hurt)
            assert Boots(path).count in (4, 5)
        (tmp_path / name).write_bytes(data)


def test_a_lost_count_is_raised_to_what_the_log_asks_for(path):
    boots = Boots(path)
    assert boots.power_up() == 1
    assert boots.at_least(8) == 8
    assert boots.at_least(3) == 8
    assert power_up(path) == 9


def test_a_flash_that_cannot_be_written_is_reported_and_does_not_raise(path, monkeypatch):
    def refuse(*_args):
        raise OSError(28)

    boots = Boots(path)
    monkeypatch.setattr(module, "open", refuse, raising=False)
    assert boots.power_up() == 1
    assert not boots.saved


def test_our_own_reset_is_remembered_once(path):
    boots = Boots(path)
    boots.power_up()
    boots.mark_own_reset()
    again = Boots(path)
    assert again.own_reset
    again.power_up()
    assert not Boots(path).own_reset


def test_causes_have_our_own_words():
    power, watchdog = 1, 3
    assert reset_cause(power, power, watchdog, False) == CAUSE_POWER
    assert reset_cause(watchdog, power, watchdog, False) == CAUSE_WATCHDOG
    assert reset_cause(watchdog, power, watchdog, True) == CAUSE_OWN_RESET
    assert reset_cause(power, power, watchdog, True) == CAUSE_POWER  # the battery was taken out after the mark
    assert reset_cause(99, power, watchdog, False) == CAUSE_UNKNOWN

"""A sample of the power-cut campaign, its seed fixed; `python -m tests.bench.power_cuts` does all of it.

A failure lists the commands that play the failing cases again.
"""

import copy
import shutil

import numpy as np
import pytest

from ground.simulator.board.write_journal import CARD_WRITE, FLASH_ERASE, FLASH_PROGRAM
from ground.simulator.flight import fly
from tests.interpreters import micropython_path
from tests.power_cuts import by_hand, campaign
from tests.power_cuts.checks import Judge, Tally
from tests.power_cuts.cuts import Cut
from tests.power_cuts.marks import joined, marks, marks_of_rows, without
from tests.power_cuts.recorded import record, short_scenario
from tests.power_cuts.restart import Bench
from tests.simulator.test_virtual_card import fsck

SEED = 7

pytestmark = [
    pytest.mark.skipif(not micropython_path(), reason="the flash's file system comes with MicroPython"),
    pytest.mark.skipif(not shutil.which("fsck.fat"), reason="needs Debian's dosfstools (.ci/run installs them)"),
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("power_cuts")


@pytest.fixture(scope="module")
def short(folder):
    return record("short", folder / "short")


@pytest.fixture(scope="module")
def used(folder):
    return record("used", folder / "used")


@pytest.fixture(scope="module")
def judge(short):
    return Judge(short)


@pytest.fixture(scope="module")
def a_case(short, judge, folder):
    """One cut in flight that is all well, to be spoilt."""
    bench = Bench(short, folder / "one")
    number = next(n for n, w in enumerate(short.writes, 1) if n > judge.armed + 120 and w.what == CARD_WRITE)
    cut = Cut("short", number, "torn", 300, SEED)
    after = bench.try_out(cut)
    bench.close()
    return cut, after


def broken(judge, cut, after):
    tally = Tally()
    judge.judge(cut, after, tally)
    return [line for _, lines in tally.failures for line in lines]


def test_cuts_at_chance_writes_of_a_short_flight_lose_nothing(short, folder):
    cuts = campaign.sampled_cuts(short, 50, SEED)
    tally = campaign.work_through(short, cuts, folder / "sample")
    assert tally.failures == []
    assert tally.cases == 50
    assert min(tally.arming, tally.flash, tally.fsck, tally.copy_frames) > 0
    assert {cut.kind for cut in cuts} == {"whole", "torn", "garbage", "lost", "shuffled"}


def test_cuts_while_the_log_is_armed_leave_a_card_that_takes_a_log(short, judge, folder):
    numbers = [n for n, w in enumerate(short.writes[: judge.armed], 1) if w.what == CARD_WRITE]
    chosen = [numbers[0], numbers[1], numbers[len(numbers) // 2], judge.armed]
    cuts = [Cut("short", n, kind, 200, SEED) for n in chosen for kind in ("whole", "torn", "garbage")]
    tally = campaign.work_through(short, cuts, folder / "arming")
    assert tally.failures == []
    assert tally.arming == tally.cases - 1  # with its last write the log is armed


def test_no_frame_of_an_older_flight_passes_as_one_of_this_in_a_torn_sector(used, folder):
    cuts = campaign.torn_cuts(used, 25, SEED, Judge(used).armed)
    tally = campaign.work_through(used, cuts, folder / "torn")
    assert tally.failures == []
    assert tally.torn_old >= 10  # the old frames were there to be mistaken


@pytest.mark.parametrize("what", [CARD_WRITE, FLASH_PROGRAM, FLASH_ERASE])
def test_state_made_from_the_journal_is_what_a_real_cut_leaves(short, folder, what):
    """The same flight once more, with the supply really cut at that write."""
    same = [n for n, write in enumerate(short.writes, 1) if (write.what == CARD_WRITE) == (what == CARD_WRITE)]
    number = [n for n in same if short.writes[n - 1].what == what][-9]
    kind = "power_cut_at_write" if what == CARD_WRITE else "power_cut_at_flash_write"
    fault = {"kind": kind, "write": same.index(number) + 1, "manner": "clean", "for_us": 900_000_000}
    images = {"card_image": short.card_before, "flash_image": short.flash_before}
    flown = fly(short_scenario(), folder / f"real{what}", faults=[fault], **images)
    assert [boot["reason"] for boot in flown.boots] == ["power_cut"]
    bench = Bench(short, folder / f"laid{what}")
    bench.kept(folder / "card.img", folder / "flash.img", Cut("short", number, "whole"))
    bench.close()
    assert (folder / "card.img").read_bytes() == flown.card_image.read_bytes()
    assert (folder / "flash.img").read_bytes() == flown.flash_image.read_bytes()


def test_card_is_put_back_after_each_case(short, judge, folder):
    bench = Bench(short, folder / "back")
    for kind in ("shuffled", "garbage"):
        bench.try_out(Cut("short", judge.armed + 60, kind, 0, SEED))
    bench.kept(folder / "after.img", folder / "flash.img", Cut("short", len(short.writes), "whole"))
    bench.close()
    assert (folder / "after.img").read_bytes() == (short.folder / "flight" / "card.img").read_bytes()
    assert fsck(folder / "after.img") == ""


def test_judge_finds_a_good_case_good(judge, a_case):
    assert broken(judge, *a_case) == []


def test_judge_sees_a_frame_lost_and_a_frame_too_many(judge, a_case):
    cut, after = a_case
    key = next(key for key in after.decoded if key in judge.committed(cut.number - 1))
    spoilt = copy.deepcopy(after)
    spoilt.decoded[key] = spoilt.decoded[key][1:]
    assert broken(judge, cut, spoilt) == [f"card, log {key[0]:08x}, boot {key[1]}: 1 frames are lost"]
    spoilt = copy.deepcopy(after)
    spoilt.decoded[key] = joined(spoilt.decoded[key], marks([b"a frame"]))
    assert broken(judge, cut, spoilt) == [f"card, log {key[0]:08x}, boot {key[1]}: 1 frames never got there"]


def test_judge_sees_a_copy_that_lost_frames(judge, a_case):
    cut, after = a_case
    spoilt = copy.deepcopy(after)
    spoilt.decoded_flash = {key: some[:0] for key, some in spoilt.decoded_flash.items()}
    assert len(broken(judge, cut, spoilt)) == 1


def test_judge_sees_a_restart_that_is_late_touches_the_file_system_or_ends(judge, a_case):
    cut, after = a_case
    for change, words in (
        ({"first_write_us": 2_100_000}, "2.10 s after power-up"),
        ({"report": after.report | {"counts": {"card_writes_fat": 1}}}, "wrote to: fat"),
        ({"report": after.report | {"reason": "watchdog"}}, "ended by watchdog"),
        ({"fsck_before": "cluster lost"}, "fsck.fat: cluster lost"),
        ({"writes": []}, "not resumed"),
    ):
        spoilt = copy.copy(after)
        vars(spoilt).update(change)
        assert any(words in line for line in broken(judge, cut, spoilt)), words


def test_marks_tell_frames_apart_by_any_bit_and_by_their_length():
    frames = [bytes(20), bytes(21)]
    frames += [bytes(n) + bytes([1 << bit]) + bytes(19 - n) for n in range(20) for bit in range(8)]
    assert len(marks(frames)) == len(frames)
    rows = np.frombuffer(b"".join(frames[2:5]), np.uint8).reshape(3, 20)
    assert sorted(marks_of_rows(rows).tolist()) == marks(frames[2:5]).tolist()
    some, others = marks(frames[:9]), marks(frames[4:])
    assert without(some, others).tolist() == marks(frames[:4]).tolist()
    assert joined(some, others).tolist() == marks(frames).tolist()
    assert without(some, some[:0]).tolist() == some.tolist()


def test_frames_by_hand_are_those_of_the_worked_sector():
    """Layout by hand from SPEC.md: header, one event, filling."""
    import struct
    import zlib

    body = struct.pack("<HBBHI", 0x5AA5, 0, 16, 9, 1234) + struct.pack("<IIIBBH", 0xCAFE, 3, 17, 1, 0, 0)
    head = body + struct.pack("<I", zlib.crc32(body))
    event = struct.pack("<HBBHI", 0x5AA5, 10, 12, 9, 1000) + struct.pack("<HBBii", 4, 1, 0, 5, 6)
    start = zlib.crc32(struct.pack("<II", 0xCAFE, 3))
    event += struct.pack("<I", zlib.crc32(event, start))
    sector = (head + event).ljust(512, b"\xff")
    assert by_hand.owned_frames(sector) == ((0xCAFE, 3), [event])
    assert by_hand.events([event]) == [(1000, 4)]
    assert by_hand.frames(sector, (0xCAFE, 4)) == []
    assert by_hand.owned_frames(b"\xa5" + bytes(511)) == (None, [])

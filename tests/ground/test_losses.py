"""What was lost, when, and what it would take: said in words, of just what is lost and of nothing else."""

import re

import numpy as np
import pytest
from typer.testing import CliRunner

from ground.decode import decode
from ground.decode.account import losses
from ground.decode.course.timeline import Line
from ground.report import recovered
from tests.ground import hurt_cards
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

PROFILE = flight_profile(wait_s=20, top_m=700.0, rest_s=30)
NEW = log_flight(LogMaker(log_id=6), PROFILE, boots=((7, 0, 90), (8, 95, None)))
OLD = log_flight(LogMaker(log_id=5), PROFILE, boots=((3, 0, None),), utc_ms=LAUNCH_UTC_MS - 9 * 86_400_000)


def notes_of(tmp_path, data, name="TD000001.LOG"):
    path = tmp_path / name
    path.write_bytes(data)
    return decode(path, tmp_path / "out").integrity


def hurt(change):
    sectors = hurt_cards.sectors_of(NEW.data())
    change(sectors)
    return b"".join(sectors)


def test_whole_log_with_a_restart_has_no_notes(tmp_path):
    assert notes_of(tmp_path, NEW.data(1 << 20))["notes"] == []


def test_empty_sectors_are_numbered_and_dated_and_the_way_to_get_them_is_said(tmp_path):
    def empty(sectors):
        sectors[40:48] = [bytes(512)] * 8

    account = notes_of(tmp_path, hurt(empty))
    second, first = account["notes"][:2]
    assert "TD000001.LOG (log 6): 8 sectors are empty in this copy" in first and "number 40 to 47," in first
    assert "ddrescue" in first
    begin, end = re.search(r"between 2031-05-27 0\d:\d\d:(\d\d) and 0\d:\d\d:(\d\d) UTC", first).groups()
    assert 5 <= int(end) - int(begin) <= 10  # about a second a sector
    assert second.startswith(f"{account['frames_missing']} records are missing in boot 7 between 2031-05-27 ")


@pytest.mark.parametrize("behind", [True, False])
def test_one_number_left_out_is_told_unless_a_power_up_left_it_out(tmp_path, behind):
    def empty(sectors):
        left_out = next(n for n, sector in enumerate(NEW.sectors) if sector is None)
        sectors[left_out + 5 if behind else left_out] = bytes(512)

    told = notes_of(tmp_path, hurt(empty))["notes"]
    assert bool(told) == behind
    assert not behind or any("1 sector is empty" in note for note in told)


def test_garbage_another_logs_sectors_and_pieces_cut_out_are_told_apart(tmp_path):
    old = hurt_cards.sectors_of(OLD.data())

    def change(sectors):
        rng = np.random.default_rng(hurt_cards.SEED)
        sectors[30:33] = [rng.bytes(512) for _ in range(3)]
        sectors[50:54] = old[50:54]
        del sectors[70:75]

    told = " | ".join(notes_of(tmp_path, hurt(change))["notes"])
    assert re.search(r"3 sectors are there and not readable \(number 30 to 32, between", told)
    assert re.search(r"4 sectors are overwritten by another log \(number 50 to 53, between", told)
    assert re.search(r"5 sectors are nowhere in this copy \(number 70 to 74, between", told)


def test_sectors_whose_frames_were_all_taken_are_damaged_but_not_lost(tmp_path):
    def change(sectors):
        for n in range(40, 60):
            sectors[n] = sectors[n][:12] + bytes([sectors[n][12] ^ 4]) + sectors[n][13:]

    assert notes_of(tmp_path, hurt(change))["notes"] == [
        "20 sectors are damaged; every record in the damage was whole and was taken"
    ]


def test_frames_that_the_board_never_wrote_are_not_promised(tmp_path):
    class Forgetful(LogMaker):
        def add(self, record_type, t_ms, *values):
            if 30_000 < t_ms < 30_400:
                self.seq += 1
                return b""
            return super().add(record_type, t_ms, *values)

    log = log_flight(Forgetful(log_id=6), PROFILE)
    told = notes_of(tmp_path, log.data())["notes"]
    assert all(re.search("missing in boot 1 (between|at) 2031-05-27 ", note) for note in told)
    assert "another copy would not bring them" in told[-1]


def test_longest_gaps_come_first_and_the_rest_is_counted(tmp_path):
    def change(sectors):
        for begin, count in ((30, 2), (40, 5), (60, 3), (80, 1), (90, 1)):
            sectors[begin : begin + count] = [bytes(512)] * count

    account = notes_of(tmp_path, hurt(change))
    counts = [int(re.match(r"\d+", note).group()) for note in account["notes"] if " missing in " in note]
    assert len(counts) == 4 and counts[:3] == sorted(counts[:3], reverse=True)
    assert sum(counts) == account["frames_missing"]


def test_cut_copy_says_so(tmp_path):
    told = notes_of(tmp_path, NEW.data()[: 60 * 512 + 200])["notes"]
    assert any("cut short" in note for note in told)


@pytest.mark.parametrize("lost", [1, 7, 20, 31, 200])
def test_shifted_sectors_cost_no_more_records_than_are_missing(tmp_path, lost):
    data = bytearray(NEW.data())
    del data[20 * 512 + 100 : 20 * 512 + 100 + lost]
    account = notes_of(tmp_path, bytes(data))
    assert account["frames_missing"] > 0
    at_zeros = 2  # one at either end of those behind a boot
    assert account["frames_bad"] <= account["frames_missing"] + at_zeros


def test_capture_counts_no_text_as_damage(tmp_path):
    account = decode(hurt_cards.capture(tmp_path, NEW.data(), b""), tmp_path / "out").integrity
    assert account["frames_bad"] == account["sectors_bad"] == 0
    assert account["frames_ok"] == len(NEW.frames)
    assert any("capture" in note for note in account["notes"])


def test_deleted_log_is_said_to_be_found_by_its_sectors(tmp_path):
    (tmp_path / "card.img").write_bytes(bytes(1 << 20) + NEW.data())
    assert "found by sectors alone" in decode(tmp_path / "card.img", tmp_path / "out").integrity["notes"][0]


def test_terminal_shows_the_same_words(tmp_path):
    from ground.cli import app

    (tmp_path / "TD000001.LOG").write_bytes(NEW.data()[: 60 * 512 + 200])
    done = CliRunner().invoke(app, ["decode", str(tmp_path / "TD000001.LOG"), "-o", str(tmp_path / "out")])
    assert done.exit_code == 0 and "- the copy ends in the middle of a sector" in done.output


# The end of a boot ------------------------------------------------------------------------------------------------


def without_the_end_of_boot_7(count, change=None):
    """The log with the last `count` sectors of its first boot emptied."""

    def empty(sectors):
        joint = next(n for n, sector in enumerate(NEW.sectors) if sector is None)
        for n in range(joint - count, joint):
            sectors[n] = change or bytes(512)

    return hurt(empty)


@pytest.mark.parametrize("change", [None, b"\x5a" * 512], ids=["empty", "spoilt"])
def test_lost_end_of_a_boot_is_named_though_no_number_is_missing(tmp_path, change):
    account = notes_of(tmp_path, without_the_end_of_boot_7(20, change))
    assert account["frames_missing"] == 0
    said = " | ".join(account["notes"])
    assert re.search(r"2[01] sectors are (empty in this copy|there and not readable)", said)
    begin, end = re.search(
        r"the end of boot 7 is lost: about 20 sectors are gone between 2031-05-27 0\d:\d\d:(\d\d) and "
        r"0\d:\d\d:(\d\d) UTC, before boot 8 began; how many records they held is not known",
        said,
    ).groups()
    assert 15 <= (int(end) - int(begin)) % 60 <= 25  # about a second a sector
    assert [boot["sectors_lost_behind"] for boot in account["boots"]] == [20, 0]
    first, lost, second = account["stretches"]
    assert (first["has"], lost["has"], second["has"]) == ("whole", "nothing", "whole")
    assert recovered.missing(account).startswith("No number is missing, but the end of a boot is lost")
    assert "unknown number of records" in recovered.coverage(account).segments[1].words
    assert lost["boot"] == 7 and lost["frames_missing"] is None and lost["to_utc"] <= second["from_utc"]


def test_places_that_a_board_may_leave_by_itself_are_no_lost_end(tmp_path):
    account = notes_of(tmp_path, without_the_end_of_boot_7(6))
    assert not any("the end of boot" in note for note in account["notes"])
    assert len(account["stretches"]) == 2


def test_lost_beginning_of_a_boot_is_not_taken_for_the_end_of_the_one_before(tmp_path):
    def empty(sectors):
        joint = next(n for n, sector in enumerate(NEW.sectors) if sector is None)
        sectors[joint + 1 : joint + 21] = [bytes(512)] * 20

    account = notes_of(tmp_path, hurt(empty))
    assert account["frames_missing"] > 100
    assert [boot["sectors_lost_behind"] <= 2 for boot in account["boots"]] == [True, True]


def test_of_many_lost_ends_the_longest_are_told_and_the_rest_counted(tmp_path):
    log = log_flight(LogMaker(log_id=6), PROFILE, boots=tuple((7 + n, 20 * n, 20 * n + 19) for n in range(6)))
    sectors = hurt_cards.sectors_of(log.data())
    joints = [n for n, sector in enumerate(log.sectors) if sector is None]
    for number, joint in enumerate(joints):
        sectors[joint - 9 - number : joint] = [bytes(512)] * (9 + number)
    account = notes_of(tmp_path, b"".join(sectors))
    said = [note for note in account["notes"] if "the end of boot" in note or "the ends of" in note]
    assert [re.search(r"boot (\d+)", note).group(1) for note in said[:3]] == ["11", "10", "9"]
    assert said[3:] == ["the ends of 2 more boots are lost"]
    assert [boot["sectors_lost_behind"] for boot in account["boots"]] == [9, 10, 11, 12, 13, 0]


def test_many_holes_of_single_records_are_told_in_one_sentence(tmp_path):
    def change(sectors):
        for number in range(20, 90, 3):
            sectors[number] = sectors[number][:45] + bytes([sectors[number][45] ^ 0x55]) + sectors[number][46:]

    account = notes_of(tmp_path, hurt(change))
    told = [note for note in account["notes"] if "are missing" in note]
    assert told == [f"{account['frames_missing']} records are missing, one at a time, in many places"]


def test_sectors_overwritten_whole_are_not_said_to_have_given_every_record(tmp_path):
    def change(sectors):
        sectors[40:44] = [(b"UNREADABLE " * 50)[:512]] * 4

    account = notes_of(tmp_path, hurt(change))
    assert account["frames_missing"] > 0 and account["frames_bad"] == 0
    assert not any("every record in the damage" in note for note in account["notes"])
    assert any("4 sectors are damaged; every whole record in them was taken" in note for note in account["notes"])


def test_lost_beginning_of_a_log_is_a_loss_and_not_what_the_board_never_wrote(tmp_path):
    def change(sectors):
        sectors[:40] = [bytes(512)] * 40

    account = notes_of(tmp_path, hurt(change))
    told = " | ".join(account["notes"])
    assert "40 sectors are empty in this copy" in told and "number 0 to 39, before 2031-05-27 " in told
    assert account["frames_missing"] > 0 and "the board never wrote them" not in told
    first = account["stretches"][0]
    assert (first["has"], first["from_ms"], first["frames"]) == ("nothing", 0, 0)
    assert first["frames_missing"] == account["frames_missing"]


def test_beginning_cut_off_a_log_is_nowhere_in_the_copy(tmp_path):
    told = " | ".join(notes_of(tmp_path, NEW.data()[40 * 512 :])["notes"])
    assert "40 sectors are nowhere in this copy (number 0 to 39, before " in told


def test_hole_that_two_copies_share_is_empty_in_them_though_the_sectors_beside_it_are_from_one_each(tmp_path):
    paths = []
    for name, first, last in (("a.bin", 40, 60), ("b.bin", 50, 70)):
        sectors = hurt_cards.sectors_of(NEW.data())
        sectors[first:last] = [bytes(512)] * (last - first)
        paths.append(tmp_path / name)
        paths[-1].write_bytes(b"".join(sectors))
    told = " | ".join(decode(paths, tmp_path / "out").integrity["notes"])
    assert "10 sectors are empty in this copy" in told and "number 50 to 59, between" in told
    assert "nowhere in this copy" not in told


def test_times_of_a_hole_are_in_order_and_one_moment_is_named_once():
    line = Line(float(LAUNCH_UTC_MS), 1.0, 100.0, "gps")
    assert losses.between(line, 3000, 1000) == "between 2031-05-27 09:30:01 and 09:30:03 UTC"
    assert losses.between(line, 1000, 1900) == "at 2031-05-27 09:30:01 UTC"
    assert losses.between(None, 2000, 2000) == "at 2.0 s after power-up"

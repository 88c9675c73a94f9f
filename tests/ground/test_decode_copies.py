"""The card and the second copy in the board's flash become one flight, and it is said which rows came from where."""

import re
from itertools import pairwise

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.decode.frames.sequence import arrange
from shared_protocol import scan
from shared_protocol.crc import frame_salt
from shared_protocol.records import CONTINUES, RECORDS
from tests.ground.copy_maker import sectors, thinned, write_parts
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

PROFILE = flight_profile(wait_s=30, top_m=900.0, rest_s=40)
LOG = log_flight(LogMaker(log_id=6), PROFILE, boots=((7, 0, 90), (8, 95, None)))
COPY = thinned(LOG)
HOLE = (40, 80)  # sectors of the card that are lost


def rows_of(folder, name):
    return pq.read_table(folder / "tables" / f"{name}.parquet").to_pandas()


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """A card with a hole, and the board's copy: (folder, card image, folder of the copy)."""
    folder = tmp_path_factory.mktemp("copies")
    data = bytearray(LOG.data())
    data[HOLE[0] * 512 : HOLE[1] * 512] = bytes((HOLE[1] - HOLE[0]) * 512)
    (folder / "card.img").write_bytes(bytes(1 << 20) + bytes(data))
    write_parts(folder / "flash", sectors(LOG, COPY, first_number=4000), part_sectors=20)
    return folder, folder / "card.img", folder / "flash"


@pytest.fixture(scope="module")
def merged(places):
    folder, card, flash = places
    return decode([card, flash], folder / "merged"), decode(card, folder / "alone")


def lost_on_card():
    """Frames of LOG that no sector outside of the hole holds, by the plain reader of shared_protocol."""
    lost = set_of(LOG.frames)
    for n, sector in enumerate(LOG.sectors):
        if sector is not None and not HOLE[0] <= n < HOLE[1]:
            for boot in (7, 8):
                frames = scan.frames(sector, frame_salt(LOG.log_id, boot))
                lost -= {(boot, record, seq, t_ms) for _at, record, seq, t_ms, _payload in frames}
    return lost


def test_frames_of_both_copies_count_once_and_what_only_one_has_is_there(merged):
    both, alone = (result.integrity for result in merged)
    lost = lost_on_card()
    filled = lost & {frame[:4] for frame in COPY}
    assert len(filled) > 20
    assert both["frames_ok"] == len(LOG.frames) - len(lost) + len(filled) == alone["frames_ok"] + len(filled)
    assert both["frames_duplicate"] == 0
    assert both["copies"] == {
        "card": {"frames": len(LOG.frames) - len(lost), "frames_only_here": len(LOG.frames) - len(lost | set_of(COPY))},
        "flash": {"frames": len(COPY), "frames_only_here": len(filled)},
    }
    assert [one["frames"] for one in both["sources"]] == [len(LOG.frames) - len(lost), len(COPY)]
    assert both["frames_missing"] == len(lost) - len(filled)


def set_of(frames):
    return {frame[:4] for frame in frames}


def test_each_row_says_which_copy_it_is_from(merged):
    both, alone = merged
    lost = lost_on_card()
    for name in ("pressure", "temperature", "power", "fix", "health", "event", "boot", "probe"):
        rows = rows_of(both.folder, name)
        from_card = rows[rows["recovered_from"] == "card"].drop(columns="recovered_from").reset_index(drop=True)
        assert from_card.equals(rows_of(alone.folder, name)), name
        assert "recovered_from" not in rows_of(alone.folder, name)
    flash = rows_of(both.folder, "pressure").query("recovered_from == 'flash'")
    expected = sorted((b, t) for b, record, _s, t in lost & set_of(COPY) if record == record_number("pressure"))
    assert list(zip(flash["boot"], flash["t_ms"], strict=True)) == expected


def record_number(name):
    return next(number for number, own, _fields in RECORDS if own == name)


def test_rows_of_the_copy_are_put_where_they_belong_in_time(merged):
    rows = rows_of(merged[0].folder, "pressure")
    for boot in (7, 8):
        times = rows.loc[rows["boot"] == boot, "t_ms"].to_numpy()
        assert (np.diff(times) > 0).all()


def test_seconds_that_only_the_copy_knows_are_marked_in_the_flight_table(merged):
    flight = pq.read_table(merged[0].folder / "flight.parquet").to_pandas()
    marked = flight["flags"].str.contains("from_flash")
    stretch = next(one for one in merged[0].integrity["stretches"] if one["has"] == "thinned")
    inside = (flight["utc"] > stretch["from_utc"]) & (flight["utc"] < stretch["to_utc"])
    assert marked.sum() >= 3 and not (marked & ~inside).any()
    readable = flight.loc[marked, "pressure_hpa"].notna()
    assert readable.mean() > 0.5


def test_stretches_tell_whole_from_thinned_and_from_nothing(merged):
    both, alone = (result.integrity["stretches"] for result in merged)
    assert {one["has"] for one in both} == {"whole", "thinned"}
    assert {one["has"] for one in alone} == {"whole", "nothing"}
    hole, filled = next(one for one in alone if one["has"] == "nothing"), [o for o in both if o["has"] == "thinned"]
    assert filled[0]["from_ms"] == hole["from_ms"] and filled[-1]["to_ms"] == hole["to_ms"]
    for stretches in (both, alone):
        for before, after in pairwise(stretches):
            assert before["boot"] != after["boot"] or before["to_ms"] == after["from_ms"]


def test_what_the_copy_filled_is_said(merged):
    notes = " | ".join(merged[0].integrity["notes"])
    assert "were put together" in notes
    said = re.findall(r"and the second copy fills in: ([\d,]+) records", notes)
    filled = sum(int(one.replace(",", "")) for one in said)
    assert filled == merged[0].integrity["copies"]["flash"]["frames_only_here"]
    alone = " | ".join(merged[1].integrity["notes"])
    assert "put together" not in alone and "thistledown fetch" in alone


def test_order_of_the_sources_does_not_matter(places, merged):
    folder, card, flash = places
    turned = decode([flash, card], folder / "turned").integrity
    for name in ("frames_ok", "frames_missing", "frames_duplicate", "copies", "stretches", "boots"):
        assert turned[name] == merged[0].integrity[name], name


def test_copy_alone_is_a_flight_and_it_is_said_that_it_is_thinned(places):
    folder, _card, flash = places
    result = decode(flash, folder / "flash-only")
    account = result.integrity
    assert account["frames_ok"] == len(COPY)
    last = {boot: seq for boot, _record, seq, _t, _values in COPY}  # no number is known to be missing behind it
    assert account["frames_missing"] == sum(last.values()) + len(last) - len(COPY) == account["frames_thinned"]
    assert {one["has"] for one in account["stretches"]} == {"thinned"}
    assert account["logs"][0]["found"] == "the second copy in the board's flash" and account["logs"][0]["file"] is None
    notes = " | ".join(account["notes"])
    assert "nothing of the card is here" in notes and "missing in boot" not in notes
    assert result.results["apogee_m"] == pytest.approx(900.0, abs=30)
    assert result.rows["event"] == 2


def test_capture_of_the_copy_counts_as_the_copy(tmp_path, places):
    """The part files sent over a cable as they are, with text between the pieces."""
    out = b"reading the copy\r\n"
    for sector in sectors(LOG, COPY):
        out += sector + b"ok, next\r\n"
    (tmp_path / "dump.bin").write_bytes(out)
    account = decode([tmp_path / "dump.bin", places[1]], tmp_path / "out").integrity
    assert account["copies"]["flash"]["frames"] == len(COPY)
    assert account["copies"]["flash"]["frames_only_here"] == len(lost_on_card() & set_of(COPY))
    assert account["sectors_bad"] == account["frames_bad"] == 0


def test_two_images_of_one_card_fill_each_others_holes_without_a_duplicate(tmp_path):
    data = bytearray(LOG.data())
    first, second = bytearray(data), bytearray(data)
    first[40 * 512 : 50 * 512], second[70 * 512 : 90 * 512] = bytes(10 * 512), bytes(20 * 512)
    (tmp_path / "a.img").write_bytes(bytes(1 << 20) + bytes(first))
    (tmp_path / "b.img").write_bytes(bytes(1 << 20) + bytes(second))
    result = decode([tmp_path / "a.img", tmp_path / "b.img"], tmp_path / "out")
    assert result.integrity["frames_ok"] == len(LOG.frames)
    assert result.integrity["frames_missing"] == result.integrity["frames_duplicate"] == 0
    assert "recovered_from" not in rows_of(result.folder, "pressure")
    assert all(one["frames_only_here"] > 0 for one in result.integrity["sources"])


def test_copy_of_another_flight_stays_out_and_one_line_says_so(tmp_path, places):
    other = log_flight(LogMaker(log_id=9), PROFILE, boots=((11, 0, None),), utc_ms=LAUNCH_UTC_MS + 86_400_000 * 3)
    write_parts(tmp_path / "flash", sectors(other, thinned(other)))
    both = decode([places[1], tmp_path / "flash"], tmp_path / "out")
    alone = decode(places[1], tmp_path / "alone")
    assert both.integrity["frames_ok"] == alone.integrity["frames_ok"]
    assert sum("flash gave nothing to this flight" in note for note in both.integrity["notes"]) == 1
    assert rows_of(both.folder, "pressure").equals(rows_of(alone.folder, "pressure"))


@pytest.mark.parametrize("board", [b"board-01", b"board-02"])
def test_copy_of_the_same_hour_but_without_a_link_stays_out(tmp_path, places, board):
    """Two boxes in the air at once, or a wrong date: the time alone does not make two logs one flight."""
    other = LogMaker(log_id=9)
    log_flight(other, PROFILE, boots=((11, 0, None),), utc_ms=LAUNCH_UTC_MS + 30_000)
    other.frames = [
        (*frame[:4], (*frame[4][:-1], board) if frame[1] == record_number("boot") else frame[4])
        for frame in other.frames
    ]
    write_parts(tmp_path / "flash", sectors(other, thinned(other)))
    account = decode([places[1], tmp_path / "flash"], tmp_path / "out").integrity
    assert [log["log_id"] for log in account["logs"] if log["in_tables"]] == [6]


def test_linked_logs_are_one_flight_and_lack_nothing_at_their_joint(tmp_path):
    """The card went, was replaced, and a new log with a new id went on in the middle of a boot."""
    first = log_flight(LogMaker(log_id=6), PROFILE, boots=((7, 0, None),))
    cut = len(first.frames) * 2 // 3
    second = LogMaker(log_id=30)
    second.boot(7)
    second.seq = first.frames[cut - 1][2] + 1
    for n, (_boot, record, _seq, t_ms, values) in enumerate(first.frames[cut:]):
        if n % 500 == 0:
            second.add(CONTINUES, t_ms, 6)
        second.add(record, t_ms, *values)
    before = LogMaker(log_id=6)
    before.boot(7)
    for _boot, record, _seq, t_ms, values in first.frames[:cut]:
        before.add(record, t_ms, *values)
    card, old = tmp_path / "card", tmp_path / "old"
    card.mkdir()
    old.mkdir()
    (card / "TD000004.LOG").write_bytes(second.data())
    (old / "TD000001.LOG").write_bytes(before.data())
    account = decode([card, old], tmp_path / "out").integrity
    assert account["frames_missing"] == 0
    assert {log["log_id"] for log in account["logs"] if log["in_tables"]} == {6, 30}
    rows = rows_of(tmp_path / "out", "pressure")
    assert (np.diff(rows["t_ms"]) > 0).all() and set(rows["boot"]) == {7}


def test_empty_source_beside_a_good_one_is_named_and_passed_over(tmp_path, places):
    (tmp_path / "dead.img").write_bytes(bytes(1 << 20))
    account = decode([tmp_path / "dead.img", places[2]], tmp_path / "out").integrity
    assert account["notes"][0].startswith("dead.img: it begins with nothing but zeros, no Thistledown log in it")
    assert account["frames_ok"] == len(COPY)


def test_seconds_between_two_sets_of_the_copy_are_marked_too(merged):
    flight = pq.read_table(merged[0].folder / "flight.parquet").to_pandas()
    inside = flight["flags"].str.contains("from_flash").to_numpy()
    first, last = np.flatnonzero(inside)[[0, -1]]
    assert inside[first : last + 1].all()


def test_moments_of_a_thinned_flight_are_no_surer_than_its_readings(places):
    results = decode(places[2], places[0] / "thinned-moments").results
    assert results["burst_readings_apart_s"] == pytest.approx(5.0, abs=1.1)


@pytest.mark.parametrize("count", [100, 32_000, 40_000, 54_802, 65_536, 131_072, 200_000])
def test_log_that_is_there_twice_is_one_log_however_its_numbers_meet(count):
    """Numbers wrap at 65536: from the last of one copy to the first of the next they may seem to go on."""
    seq, t_ms = (np.arange(count) % 65_536).astype(np.uint16), (np.arange(count) * 55).astype(np.uint32)
    found = arrange(np.tile(seq, 2), np.tile(t_ms, 2))
    assert (found.kept, found.missing, found.duplicate) == (count, 0, count)
    turned = arrange(np.roll(seq, count // 3), np.roll(t_ms, count // 3))
    assert (turned.kept, turned.missing, turned.duplicate) == (count, 0, 0)
    assert (np.diff(np.roll(t_ms, count // 3)[turned.order].astype(np.int64)) > 0).all()


def test_stretch_that_the_copy_took_in_full_is_not_called_thinned(tmp_path):
    """Without a card the board writes everything into its flash, as long as there is room; then it thins again."""
    dense = thinned(LOG, dense=[(8, 10_000, 60_000)])
    write_parts(tmp_path / "flash", sectors(LOG, dense))
    stretches = [one for one in decode(tmp_path / "flash", tmp_path / "out").integrity["stretches"] if one["boot"] == 8]
    assert [one["has"] for one in stretches] == ["thinned", "whole", "thinned"]
    assert abs(stretches[1]["from_ms"] - 10_000) < 200 and abs(stretches[1]["to_ms"] - 60_000) < 200


def test_time_without_a_card_that_the_copy_took_in_full_is_told_and_is_whole(tmp_path):
    card = bytearray(LOG.data())
    card[45 * 512 : 75 * 512] = bytes(30 * 512)
    (tmp_path / "TD000001.LOG").write_bytes(card)
    write_parts(tmp_path / "flash", sectors(LOG, thinned(LOG, dense=[(7, 0, 90_000)])))
    account = decode([tmp_path / "TD000001.LOG", tmp_path / "flash"], tmp_path / "out").integrity
    (told,) = [note for note in account["notes"] if "the card has nothing" in note]
    count = account["copies"]["flash"]["frames_only_here"]
    assert "between 2031-05-27" in told and f"and the second copy has that time whole: {count} records" in told
    assert {one["has"] for one in account["stretches"]} == {"whole"}


def test_copy_that_has_everything_is_called_complete(tmp_path):
    write_parts(tmp_path / "flash", sectors(LOG, LOG.frames))
    account = decode(tmp_path / "flash", tmp_path / "out").integrity
    assert account["frames_missing"] == 0 and "and complete" in account["notes"][0]


def test_sector_lost_on_the_card_is_no_loss_if_the_copy_has_all_of_it(tmp_path):
    data = bytearray(LOG.data())
    data[50 * 512 : 52 * 512] = bytes(1024)
    (tmp_path / "TD000001.LOG").write_bytes(data)
    write_parts(tmp_path / "flash", sectors(LOG, thinned(LOG, dense=[(7, 0, 90_000)])))
    account = decode([tmp_path / "TD000001.LOG", tmp_path / "flash"], tmp_path / "out").integrity
    assert account["frames_missing"] == 0 and not any("empty" in note for note in account["notes"])


def test_more_boots_than_the_comparison_can_number_are_decoded_all_the_same(tmp_path, places, monkeypatch):
    for module in ("convert", "account.integrity"):
        monkeypatch.setattr(f"ground.decode.{module}.KEYS_MAX", 1)
    account = decode([places[1], places[2]], tmp_path / "out").integrity
    assert account["frames_ok"] == len(LOG.frames) - len(lost_on_card() - set_of(COPY)) and account["stretches"] == []

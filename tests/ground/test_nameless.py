"""Frames that no header names: whose they are is worked out from their checksums."""

import re
from itertools import zip_longest

import numpy as np
import pytest

from ground.decode import decode
from ground.decode.frames import crc_tables
from ground.decode.frames.records import read
from ground.decode.salvage import nameless, search
from ground.decode.salvage.carve import likely
from ground.decode.salvage.source import NothingThere
from ground.decode.salvage.sources import open_source
from shared_protocol.crc import frame_salt
from shared_protocol.frame import PAYLOAD_SIZES
from shared_protocol.records import PRESSURE
from tests.ground import hurt_cards
from tests.ground.log_maker import LogMaker, flight_profile, log_flight
from tests.ground.test_decode_sources import make_log
from tests.property import damager

SEED = 20310527
LOG_ID = 0x1234ABCD


def frames_only(log, rng=None):
    """The frames of a log's sectors, one behind the other, between bytes of anything."""
    between = rng.bytes if rng else lambda count: b""
    return b"".join(between(7) + sector[30:].rstrip(b"\xff") for sector in log.sectors if sector and sector[23] == 0)


def array(data):
    return np.frombuffer(data, dtype=np.uint8)


def test_register_moved_back_is_the_one_that_was_moved_on():
    registers = np.random.default_rng(SEED).integers(0, 1 << 32, 100, dtype=np.uint32)
    for count in (0, 2, 8, 58):
        assert np.array_equal(crc_tables.retreat(crc_tables.advance(registers, count), count), registers)


def test_boots_of_one_log_stay_together_and_in_order():
    log = make_log(log_id=LOG_ID, boots=(6, 7, 9))
    found = nameless.boots([array(frames_only(log, np.random.default_rng(SEED)))])
    assert all(one.guessed for one in found) and len({one.log_id for one in found}) == 1
    salts = [frame_salt(one.log_id, one.boot) for one in found]
    assert salts == [frame_salt(LOG_ID, boot) for boot in (6, 7, 9)]


def test_boots_of_two_logs_are_kept_apart():
    logs = [make_log(log_id=id, boots=boots, seed=id) for id, boots in ((77_001, (3,)), (0x9ABCDEF0, (5, 6)))]
    found = nameless.boots([array(b"".join(map(frames_only, logs)))])
    assert sorted(len([one for one in found if one.log_id == log_id]) for log_id in {x.log_id for x in found}) == [1, 2]


def test_a_single_boot_gets_an_id_that_gives_its_salt_and_is_called_a_guess(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(23,))
    (tmp_path / "frames.bin").write_bytes(frames_only(log))
    (one,) = nameless.boots([array(frames_only(log))])
    assert frame_salt(one.log_id, one.boot) == frame_salt(LOG_ID, 23) and one.guessed
    account = decode(tmp_path / "frames.bin", tmp_path / "out").integrity
    assert account["frames_ok"] == len(log.frames)
    assert any("the log's id is a guess" in note for note in account["notes"])


def test_hurt_headers_that_still_say_whose_they_are_name_the_log(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(2000,), count=1500)  # more power-ups than are guessed
    path = hurt_cards.no_header_left(tmp_path, log.data(), b"")
    assert [(one.log_id, one.boot, one.guessed) for one in open_source(path).nameless] == [(LOG_ID, 2000, False)]
    notes = decode(path, tmp_path / "out").integrity["notes"]
    assert any("no sector header is whole" in note for note in notes) and not any("a guess" in note for note in notes)


def test_three_frames_or_one_frame_many_times_are_no_log(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(7,))
    sync = [at.start() for at in re.finditer(b"\xa5\x5a", frames_only(log))]
    for data in (frames_only(log)[: sync[3]], frames_only(log)[: sync[1]] * 50):
        (tmp_path / "frames.bin").write_bytes(data)
        assert nameless.boots([array(data)]) == []
        with pytest.raises(NothingThere, match="frames may be in it"):
            open_source(tmp_path / "frames.bin")


def test_bytes_of_anything_are_no_log():
    rng = np.random.default_rng(SEED)
    data = rng.integers(0, 256, 4 << 20, dtype=np.uint8)
    for at, byte in enumerate((0xA5, 0x5A, PRESSURE, PAYLOAD_SIZES[PRESSURE])):  # half a million beginnings of frames
        data[at::8] = byte
    assert len(likely(data, 0, len(data))) > 500_000
    assert nameless.boots([data]) == []


def test_headers_elsewhere_name_what_the_nameless_are(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(23,))
    (tmp_path / "frames.bin").write_bytes(frames_only(log))
    (tmp_path / "TD000001.LOG").write_bytes(log.data()[: len(log.data()) // 1024 * 512])
    account = decode([tmp_path / "frames.bin", tmp_path / "TD000001.LOG"], tmp_path / "out").integrity
    assert account["frames_ok"] == len(log.frames)
    assert [entry["log_id"] for entry in account["logs"]] == [LOG_ID]


def test_a_source_of_very_many_boots_is_known_by_those_with_the_most_frames():
    logs = [make_log(log_id=n, boots=(1,), count=3 + n % 7, seed=n) for n in range(100, 300)]
    found = nameless.boots([array(b"".join(map(frames_only, logs)))])
    assert len(found) == 64
    most = {frame_salt(log.log_id, 1) for log in logs if log.log_id % 7 > 3}
    assert {frame_salt(one.log_id, one.boot) for one in found} <= most


@pytest.fixture(scope="module")
def torn():
    """A log of two boots whose sectors all lost their headers."""
    log = damager.write_log(4096, SEED)
    data = log.data.copy()
    data.reshape(-1, 512)[:, :30] = np.random.default_rng(SEED).integers(0, 256, (4096, 30), dtype=np.uint8)
    return damager.WrittenLog(data, log.starts, log.sizes)


@pytest.mark.parametrize("rate", [1e-5, 1e-4, 1e-3, 1e-2])
def test_frames_with_the_same_bit_wrong_agree_on_a_salt_and_are_not_believed(torn, rate, tmp_path):
    hurt = damager.flip_bits(torn, rate, np.random.default_rng(SEED))
    hurt.data.tofile(tmp_path / "card.img")
    source = open_source(tmp_path / "card.img")
    outcome = damager.compare(torn, hurt, read(source.buffers, source.pairs).rows)
    assert (outcome.wrong, outcome.recovered) == (0, outcome.whole) and outcome.hurt > 100
    assert len(source.nameless) == 2


@pytest.mark.parametrize("rate", [1e-3, 1e-2])
def test_source_that_is_looked_at_part_by_part_gives_the_same_boots(torn, rate, tmp_path, monkeypatch):
    monkeypatch.setattr(search, "_PART", 1 << 17)
    hurt = damager.flip_bits(torn, rate, np.random.default_rng(SEED))
    hurt.data.tofile(tmp_path / "card.img")
    source = open_source(tmp_path / "card.img")
    outcome = damager.compare(torn, hurt, read(source.buffers, source.pairs).rows)
    assert (outcome.wrong, outcome.recovered, len(source.nameless)) == (0, outcome.whole, 2)


@pytest.mark.parametrize("rate", [1e-3, 1e-2])
def test_equal_errors_in_a_log_that_has_headers_are_no_boots_either(rate, tmp_path):
    log = damager.write_log(2048, SEED)
    hurt = damager.flip_bits(log, rate, np.random.default_rng(SEED))
    hurt.data.tofile(tmp_path / "card.img")
    assert open_source(tmp_path / "card.img").nameless == []


def test_log_without_headers_is_taken_beside_another_that_has_some(tmp_path):
    torn, whole = make_log(log_id=LOG_ID, boots=(7, 8), count=900), make_log(log_id=5, boots=(3,), seed=5)
    headless = b"".join(sector and bytes(30) + sector[30:] for sector in torn.sectors if sector and sector[23] == 0)
    (tmp_path / "card.img").write_bytes(bytes(1 << 20) + whole.data() + bytes(1 << 20) + headless)
    account = decode(tmp_path / "card.img", tmp_path / "out").integrity
    counts = {entry["log_id"]: entry["frames"] for entry in account["logs"]}
    assert counts.pop(5) == len(whole.frames) and list(counts.values()) == [len(torn.frames)]


def test_boot_that_lost_all_its_headers_is_known_as_one_of_its_log(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(7, 400), count=900)
    data = b"".join(
        bytes(30) + sector[30:] if int.from_bytes(sector[14:18], "little") == 400 else sector
        for sector in log.sectors
        if sector
    )
    (tmp_path / "TD000001.LOG").write_bytes(data)
    source = open_source(tmp_path / "TD000001.LOG")
    assert source.nameless == [nameless.Boot(LOG_ID, 400, guessed=False)]
    account = decode(tmp_path / "TD000001.LOG", tmp_path / "out").integrity
    assert account["frames_ok"] == len(log.frames)


def test_log_without_headers_in_a_folder_is_taken_beside_one_that_has_them(tmp_path):
    log, old = make_log(log_id=LOG_ID, boots=(3,), count=600), make_log(log_id=77, boots=(1,), count=100, seed=2)
    torn = b"".join(bytes(30) + sector[30:] for sector in log.sectors if sector and sector[23] == 0)
    (tmp_path / "TD000001.LOG").write_bytes(old.data())
    (tmp_path / "TD000002.LOG").write_bytes(torn)
    source = open_source(tmp_path)
    assert [frame_salt(*pair) for pair in source.pairs] == [frame_salt(LOG_ID, 3)] and not source.useless
    assert sum(boot.frames for boot in read(source.buffers, source.pairs).boots) == len(log.frames) + len(old.frames)


@pytest.mark.parametrize("piece", [1, 8])
def test_logs_in_pieces_that_lie_across_each_other_are_both_taken(tmp_path, piece):
    """Two files in pieces of clusters, no header left, and nothing that says whose they were."""
    logs = make_log(log_id=LOG_ID, boots=(3,), count=900), make_log(log_id=77, boots=(4,), count=400, seed=2)
    rng, kinds = np.random.default_rng(SEED), []
    for log in logs:
        sectors = [rng.bytes(30) + sector[30:] for sector in log.sectors if sector and sector[23] == 0]
        kinds.append([b"".join(sectors[at : at + piece]) for at in range(0, len(sectors), piece)])
    mixed = [part for pair in zip_longest(*kinds, fillvalue=b"") for part in pair]
    (tmp_path / "card.img").write_bytes(b"".join(mixed))
    source = open_source(tmp_path / "card.img")
    assert {frame_salt(*pair) for pair in source.pairs} == {frame_salt(LOG_ID, 3), frame_salt(77, 4)}
    assert sum(boot.frames for boot in read(source.buffers, source.pairs).boots) == sum(len(log.frames) for log in logs)


def test_log_without_headers_in_a_folder_is_taken_too(tmp_path):
    log = make_log(log_id=LOG_ID, boots=(7,))
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "TD000001.LOG").write_bytes(frames_only(log, np.random.default_rng(SEED)))
    assert decode(tmp_path / "card", tmp_path / "out").integrity["frames_ok"] == len(log.frames)


def test_the_more_candidates_the_more_frames_have_to_agree():
    """Two in a row of the table of chances in the file, worked out by hand with logarithms of base 10."""
    assert [nameless._enough(count) for count in (100, 30_000, 1_000_000, 100_000_000)] == [4, 4, 6, 10]


@pytest.mark.parametrize("change", [(b"\r", b"\n"), (b"A", b"a"), (b"\0", b" "), (b"\0", b"?")])
@pytest.mark.parametrize("share", [0.3, 0.62, 1.0])
def test_a_byte_that_a_terminal_replaced_everywhere_makes_no_boots(change, share, tmp_path):
    """Runs of hundreds of frames have it in their number or time, so they agree on a wrong salt, side by side."""
    log = log_flight(LogMaker(log_id=LOG_ID), flight_profile(top_m=900.0))
    frames = frames_only(log)
    raw = frames[: int(len(frames) * share)].replace(*change)
    (tmp_path / "capture.bin").write_bytes(raw)
    there = hurt_cards.frames_there(tmp_path / "capture.bin", [(LOG_ID, 1)])
    if len(there) < 4:
        with pytest.raises(NothingThere):
            open_source(tmp_path / "capture.bin")
    else:
        recovered = hurt_cards.frames_recovered(tmp_path / "capture.bin")[1]
        assert {frame[2:] for frame in recovered} == {frame[2:] for frame in there}


def test_boots_of_a_log_never_differ_as_by_one_wrong_byte():
    shares = nameless._boots_share()
    assert not any(nameless._one_byte_apart(share, np.delete(shares, boot)) for boot, share in enumerate(shares))


@pytest.mark.parametrize(
    ("places", "written", "believed"),
    [
        (range(100, 300, 20), True, False),  # strewn, as equal errors are
        (range(100, 110), True, True),  # a piece of another boot between two of the first
        (range(100, 110), False, False),
        (range(300, 310), False, True),
    ],
)
def test_frames_across_a_larger_boot_are_one_of_their_own_only_if_they_lie_together_and_are_named(
    places, written, believed
):
    mine, other = frame_salt(LOG_ID, 7), frame_salt(LOG_ID, 7) ^ 0x13579BDF
    seen = np.zeros(310, dtype=nameless._SEEN)
    seen["salt"][:300] = mine
    seen["salt"][300:] = np.arange(10)
    seen["salt"][list(places)] = other
    found = nameless._believed(seen, [], {other: (8, 1)} if written else {})
    assert found == ([mine, other] if believed else [mine])

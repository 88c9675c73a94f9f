"""What is physically on a card comes off it, whatever state card and file system are in; and nothing else does."""

import struct
import subprocess
import sys

import numpy as np
import pytest

from ground.decode import decode, pipeline
from ground.decode.salvage import littlefs, search
from ground.decode.salvage.sources import open_source
from ground.report import recovered
from tests.ground import copy_maker, hurt_cards
from tests.ground.test_decode_sources import make_log
from tests.ground.test_nameless import frames_only

OLD, NEW = make_log(log_id=5, boots=(3,), seed=5, count=1500), make_log(log_id=6, boots=(7, 8), seed=6, count=1500)
PAIRS = ((5, 3), (6, 7), (6, 8))
LARGE = ("log at an odd offset in 8 GB", "hurt piece far from all others", "no header left in a large image")


@pytest.mark.parametrize("kind", hurt_cards.KINDS)
def test_all_frames_that_are_there_are_recovered_and_no_others(tmp_path, kind, monkeypatch):
    if kind in LARGE:  # as in the real size, but quick
        monkeypatch.setattr(search, "_WHOLE_BYTES_MAX", 1 << 20)
        monkeypatch.setattr(hurt_cards, "FILLER", 12 << 20)
    make, tools = hurt_cards.KINDS[kind]
    if lacking := hurt_cards.missing_tools(tools):
        pytest.skip(f"needs {', '.join(lacking)} (Debian: mtools, dosfstools, exfatprogs)")
    path = make(tmp_path, NEW.data(), OLD.data())
    there = hurt_cards.frames_there(path, PAIRS)
    if hurt_cards.is_known_by_what_was_written(kind):
        mine = {(NEW.log_id, boot, seq, t, record) for boot, record, seq, t, _values in NEW.frames}
        assert there < mine
        there = mine
    assert len(there) > 500
    _kind, recovered = hurt_cards.frames_recovered(path)
    assert recovered == there
    result = decode(path, tmp_path / "out")
    assert result.integrity["frames_ok"] == sum(1 for frame in there if frame[0] == NEW.log_id)


def test_pieces_far_from_all_others_are_recovered_from_a_card_that_is_worked_log_by_log(tmp_path, monkeypatch):
    monkeypatch.setattr(search, "_WHOLE_BYTES_MAX", 1 << 20)
    monkeypatch.setattr(search, "_AT_ONCE_MAX", 1 << 16)
    monkeypatch.setattr(hurt_cards, "FILLER", 12 << 20)
    path = hurt_cards.piece_far_away(tmp_path, NEW.data(), OLD.data())
    assert open_source(path).by_log
    assert hurt_cards.frames_recovered(path)[1] == hurt_cards.frames_there(path, PAIRS)
    there = {frame for frame in hurt_cards.frames_there(path, PAIRS) if frame[0] == NEW.log_id}
    assert decode(path, tmp_path / "out").integrity["frames_ok"] == len(there)


def test_large_image_gives_sectors_far_from_any_header_and_counts_what_is_garbage(tmp_path, monkeypatch):
    """As in the real size, but quick: every byte is looked at only around the sectors that are known."""
    monkeypatch.setattr(search, "_WHOLE_BYTES_MAX", 1 << 20)
    log = bytearray(NEW.data())
    count = len(log) // 512
    for n in (*range(20, 60), *range(count - 20, count)):
        log[n * 512 + 12] ^= 4  # a bit of the header
    log[70 * 512 : 110 * 512] = bytes(n * 7919 >> 3 & 0xFF for n in range(40 * 512))
    path = tmp_path / "card.img"
    path.write_bytes(bytes(2 << 20) + bytes(log) + bytes(2 << 20))
    assert hurt_cards.frames_recovered(path)[1] == hurt_cards.frames_there(path, PAIRS)
    account = decode(path, tmp_path / "out").integrity
    assert account["sectors_bad"] == 100 and account["sectors_read"] == sum(map(bool, NEW.sectors))


@pytest.mark.skipif(hurt_cards.tool("mkfs.exfat") is None, reason="needs mkfs.exfat (Debian: exfatprogs)")
def test_log_on_exfat_has_its_name(tmp_path):
    path = hurt_cards.exfat(tmp_path, NEW.data(), b"")
    assert open_source(path).files == [{"name": "TD000001.LOG", "log_id": 6}]


@pytest.mark.parametrize("kind", ["GUID partition table", "logical partition", "log in a folder"])
def test_log_has_its_name_wherever_its_file_system_is(tmp_path, kind):
    make, tools = hurt_cards.KINDS[kind]
    if lacking := hurt_cards.missing_tools(tools):
        pytest.skip(f"needs {', '.join(lacking)} (Debian: mtools, dosfstools, fdisk)")
    logs = {file["log_id"]: file["name"] for file in open_source(make(tmp_path, NEW.data(), OLD.data())).files}
    assert logs in ({6: "TD000001.LOG"}, {5: "TD000001.LOG", 6: "TD000002.LOG"})


@pytest.mark.skipif(bool(hurt_cards.missing_tools(hurt_cards.FAT_TOOLS)), reason="needs mtools and dosfstools")
@pytest.mark.parametrize("hurt_sectors", [1, 30, 100])
def test_log_keeps_its_name_whatever_became_of_its_beginning(tmp_path, hurt_sectors):
    path = hurt_cards.fat(tmp_path, NEW.data(), OLD.data())
    data = bytearray(path.read_bytes())
    at = data.find(NEW.data()[:512])
    data[at : at + hurt_sectors * 512] = np.random.default_rng(1).bytes(hurt_sectors * 512)
    path.write_bytes(data)
    assert open_source(path).files == [{"name": "TD000001.LOG", "log_id": 5}, {"name": "TD000002.LOG", "log_id": 6}]


@pytest.mark.skipif(bool(hurt_cards.missing_tools(hurt_cards.FAT_TOOLS)), reason="needs mtools and dosfstools")
def test_log_has_its_name_on_a_card_with_hundreds_of_folders(tmp_path):
    path = hurt_cards.in_a_folder(tmp_path, NEW.data(), b"")
    folders = [f"::PHOTOS{number:02d}" for number in range(100)]
    subprocess.run(["mmd", "-i", path, *folders, *(f"{each}/RAW" for each in folders)], check=True)
    assert open_source(path).files == [{"name": "TD000001.LOG", "log_id": 6}]


@pytest.mark.skipif(bool(hurt_cards.missing_tools(hurt_cards.FAT_TOOLS)), reason="needs mtools and dosfstools")
def test_directories_that_lead_in_circles_end(tmp_path):
    """A folder that is its own content, clusters that follow themselves, partition tables that lead to themselves."""
    path = hurt_cards.in_a_folder(tmp_path, NEW.data(), b"")
    data = bytearray(path.read_bytes())
    reserved, fats = struct.unpack_from("<HB", data, 14)
    fat_sectors, root = struct.unpack_from("<I", data, 36)[0], struct.unpack_from("<I", data, 44)[0]
    at_root = (reserved + fats * fat_sectors + root - 2) * 512
    struct.pack_into("<I", data, reserved * 512 + root * 4, root)
    data[at_root : at_root + 32] = b"CIRCLE     \x10".ljust(26, b"\0") + struct.pack("<HI", root, 0)
    struct.pack_into("<4xB3xII", data, 446, 5, 1, 9)
    data[512 : 3 * 512] = data[:512] * 2  # counted from the first table, the second one is behind the second one
    path.write_bytes(data)
    assert open_source(path).files == []


def test_blocks_that_name_each_other_are_a_file_system_only_if_they_hold_a_log():
    """A capture may hold small numbers at regular places: what it is taken for must not cut its frames in two."""
    blocks = np.zeros((40, 4096), dtype=np.uint8)
    for n in range(1, 38):
        words = [2 + n - (1 << j) for j in range((n & -n).bit_length())]
        blocks[2 + n, : 4 * len(words)] = np.array(words, dtype="<u4").view(np.uint8)
    assert littlefs.contents(blocks.ravel()) is None
    assert len(littlefs.chains(blocks.ravel(), 0, 4096, 40)[0]) == 1


def second_copy_without_its_file_system(folder, log, old):
    data = bytearray(b"\xff" * (1 << 20))
    ring = b"".join(copy_maker.sectors(NEW, copy_maker.thinned(NEW)))
    data[300 << 10 : (300 << 10) + len(ring)] = ring
    (folder / "flash.bin").write_bytes(data)
    return folder / "flash.bin"


def no_header_and_beside_block_boundaries(folder, log, old):
    path = hurt_cards.no_header_left(folder, log, old)
    path.write_bytes(bytes(333) + path.read_bytes())
    return path


def frames_alone(folder, log, old):
    (folder / "capture.bin").write_bytes(frames_only(NEW))
    return folder / "capture.bin"


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (hurt_cards.quick_formatted, "an image of a card"),
        (hurt_cards.wrecked_boot_sector, "an image of a card"),
        (hurt_cards.odd_offset, "an image in which no file system can be read"),
        (hurt_cards.raw_flash, "an image in which no file system can be read"),  # holds a card's sectors
        (second_copy_without_its_file_system, "a dump of a board's flash, its file system gone"),
        (hurt_cards.littlefs, "a dump of a board's flash"),
        (hurt_cards.no_header_left, "sectors that have all lost their headers"),
        (no_header_and_beside_block_boundaries, "sectors that have all lost their headers"),
        (hurt_cards.capture, "records without sectors, as a capture has them"),
        (frames_alone, "records without sectors, as a capture has them"),
    ],
)
def test_what_a_file_is_called_is_what_can_be_seen_in_it(tmp_path, make, words):
    tools = {*hurt_cards.FAT_TOOLS} if make in (hurt_cards.quick_formatted, hurt_cards.wrecked_boot_sector) else set()
    if lacking := hurt_cards.missing_tools(tools | ({"micropython"} if make is hurt_cards.littlefs else set())):
        pytest.skip(f"needs {', '.join(lacking)}")
    assert recovered.KINDS[open_source(make(tmp_path, NEW.data(), OLD.data())).kind] == words


def test_progress_is_in_bytes_and_never_goes_back(tmp_path):
    (tmp_path / "card.img").write_bytes(bytes(1 << 20) + NEW.data())
    seen = []
    decode(tmp_path / "card.img", tmp_path / "out", progress=lambda share, what: seen.append((share, what)))
    shares = [share for share, _what in seen]
    assert shares == sorted(shares) and shares[-1] == 1.0
    size = (tmp_path / "card.img").stat().st_size
    assert any(f"{size:,} of {size:,} bytes" in what for _share, what in seen)


_DECODE = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[3]), int(sys.argv[3])))
from ground.decode import decode, pipeline
from ground.decode.salvage import search
account = decode(sys.argv[1], sys.argv[2]).integrity
print(account["frames_ok"], len(account["logs"]), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def decode_within(address_space, image, out):
    """frames_ok, logs and the greatest memory [KiB] of a decoding in a process of its own."""
    command = [sys.executable, "-c", _DECODE, str(image), str(out), str(address_space)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return [int(word) for word in done.stdout.split()]


def test_card_of_32_gb_needs_no_more_memory_than_a_small_one(tmp_path):
    small, large = tmp_path / "small.img", tmp_path / "large.img"
    small.write_bytes(bytes(1 << 20) + NEW.data())
    with open(large, "wb") as handle:
        handle.truncate(32 << 30)
        handle.seek(20 << 30)
        handle.write(NEW.data())
    few = decode_within(4 << 30, small, tmp_path / "a")
    many = decode_within(4 << 30, large, tmp_path / "b")
    assert many[:2] == few[:2]
    assert many[2] < few[2] + 32 * 1024


def test_card_full_of_logs_is_worked_log_by_log(tmp_path, monkeypatch):
    """The limit is set down to 512 KiB; what matters is that no more than the flight's own logs are held together."""
    monkeypatch.setattr(search, "_AT_ONCE_MAX", 1 << 19)
    logs = [make_log(log_id=100 + n, boots=(n + 1,), seed=n, count=300) for n in range(40)]
    (tmp_path / "card.img").write_bytes(bytes(1 << 20) + b"".join(log.data(60 * 512) for log in logs))
    sizes = []
    read = pipeline.read

    def watched(buffers, *pairs):
        buffers = list(buffers)
        sizes.append(sum(len(part[0]) for part in buffers))
        return read(buffers, *pairs)

    monkeypatch.setattr(pipeline, "read", watched)
    account = decode(tmp_path / "card.img", tmp_path / "out").integrity
    assert max(sizes) < 80 * 512 and len(sizes) == 41
    assert account["frames_ok"] == len(logs[-1].frames)
    assert {entry["log_id"]: entry["frames"] for entry in account["logs"]} == {
        log.log_id: len(log.frames) for log in logs
    }
    monkeypatch.setattr(search, "_AT_ONCE_MAX", 1 << 30)
    together = decode(tmp_path / "card.img", tmp_path / "together").integrity
    assert {key: account[key] for key in ("frames_ok", "frames_bad", "frames_missing", "sectors_read", "boots")} == {
        key: together[key] for key in ("frames_ok", "frames_bad", "frames_missing", "sectors_read", "boots")
    }
    assert sorted(map(str, account["logs"])) == sorted(map(str, together["logs"]))
    wanted = decode(tmp_path / "card.img", tmp_path / "wanted", log=107).integrity
    assert wanted["frames_ok"] == len(logs[7].frames)

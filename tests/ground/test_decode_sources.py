"""What `decode` is pointed at, found out by looking; wrong inputs get one line that says what, where and what next."""

import bz2
import gzip
import json
import lzma
import os
import subprocess
import sys
import time
import zipfile

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.decode.arrow import to_arrow
from ground.decode.table import Table, words
from ground.errors import InputError
from shared_protocol.records import PRESSURE, TEMPERATURE
from tests.ground import hurt_cards
from tests.ground.log_maker import LogMaker, fill_fast, flight_profile, log_flight


def make_log(log_id=0x1234ABCD, boots=(1, 2), seed=1, count=300):
    log = LogMaker(log_id=log_id)
    rng = np.random.default_rng(seed)
    for boot in boots:
        log.boot(boot)
        fill_fast(log, {PRESSURE: count, TEMPERATURE: count // 3}, rng)
    log.flush()
    return log


def fat_image(folder, files, size_mib=40, table=False):
    """A card image with a FAT file system made by mkfs.fat and filled by mtools; `table`: with a partition table."""
    image = folder / "card.img"
    offset = 2048 * 512 if table else 0
    with open(image, "wb") as handle:
        handle.truncate(size_mib * 1024 * 1024)
        if table:
            handle.seek(446)
            handle.write(
                bytes([0, 0, 0, 0, 12, 0, 0, 0])
                + (2048).to_bytes(4, "little")
                + ((size_mib - 1) * 2048).to_bytes(4, "little")
            )
            handle.seek(510)
            handle.write(b"\x55\xaa")
    subprocess.run(
        ["mkfs.fat", "-F", "32" if size_mib > 34 else "16", "-s", "1", "--offset", str(offset // 512), str(image)],
        check=True,
        capture_output=True,
    )
    for name, data in files.items():
        (folder / "copy").write_bytes(data)
        subprocess.run(
            ["mcopy", "-i", f"{image}@@{offset}", str(folder / "copy"), f"::{name}"], check=True, capture_output=True
        )
    return image


def refusal(*arguments, **options):
    with pytest.raises(InputError) as caught:
        decode(*arguments, **options)
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_log_file_folder_and_image_give_the_same_records(tmp_path):
    log = make_log()
    folder = tmp_path / "card"
    folder.mkdir()
    (folder / "TD000001.LOG").write_bytes(log.data(1 << 20))
    (folder / "readme.txt").write_text("not a log")
    image = tmp_path / "raw.bin"
    data = bytearray(8 << 20)
    data[3 << 20 : (3 << 20) + len(log.data())] = log.data()
    image.write_bytes(data)
    results = [
        decode(folder / "TD000001.LOG", tmp_path / "a"),
        decode(folder, tmp_path / "b"),
        decode(image, tmp_path / "c"),
    ]
    assert [result.integrity["source"]["kind"] for result in results] == ["log", "folder", "bare"]
    for result in results:
        assert result.integrity["frames_ok"] == len(log.frames)
        assert result.integrity["frames_missing"] == result.integrity["frames_bad"] == 0
    first, second, third = (pq.read_table(tmp_path / name / "tables" / "pressure.parquet") for name in "abc")
    assert first.equals(second) and first.equals(third)


@pytest.mark.parametrize(("size_mib", "table"), [(40, False), (40, True), (16, False)])
def test_image_with_a_file_system_names_its_logs(tmp_path, size_mib, table):
    old, new = make_log(log_id=5, boots=(1,)), make_log(log_id=6, boots=(2,), seed=2)
    image = fat_image(tmp_path, {"TD000001.LOG": old.data(), "TD000002.LOG": new.data()}, size_mib, table)
    result = decode(image, tmp_path / "out")
    logs = {entry["file"]: entry for entry in result.integrity["logs"]}
    assert logs["TD000001.LOG"]["log_id"] == 5 and not logs["TD000001.LOG"]["in_tables"]
    assert logs["TD000002.LOG"]["log_id"] == 6 and logs["TD000002.LOG"]["in_tables"]
    assert result.integrity["frames_ok"] == len(new.frames)
    assert "TD000001.LOG" in result.integrity["notes"][0]
    older = decode(image, tmp_path / "older", log="TD000001.LOG")
    assert older.integrity["frames_ok"] == len(old.frames)
    assert "TD000002.LOG" in refusal(image, tmp_path / "none", log="TD000009.LOG")


def test_image_whose_file_system_is_wrecked_gives_everything_all_the_same(tmp_path):
    log = make_log()
    image = fat_image(tmp_path, {"TD000001.LOG": log.data()})
    with open(image, "r+b") as handle:
        handle.write(np.random.default_rng(3).bytes(64 * 1024))
    result = decode(image, tmp_path / "out")
    assert result.integrity["frames_ok"] == len(log.frames)
    assert result.integrity["logs"][0]["file"] is None


def test_image_with_a_hurt_header_loses_no_reading(tmp_path):
    log = make_log()
    data = bytearray(4 << 20)
    data[1 << 20 : (1 << 20) + len(log.data())] = log.data()
    for sector in (14, 15, 30):
        data[(1 << 20) + sector * 512 + 1] ^= 0x10
    (tmp_path / "card.img").write_bytes(data)
    result = decode(tmp_path / "card.img", tmp_path / "out")
    assert result.integrity["frames_ok"] == len(log.frames)
    assert result.integrity["sectors_bad"] == 3


def test_sparse_image_is_read_where_it_has_data(tmp_path):
    log = make_log()
    image = tmp_path / "card.img"
    with open(image, "wb") as handle:
        handle.seek(3 << 30)
        handle.write(log.data())
        handle.truncate(8 << 30)
    result = decode(image, tmp_path / "out")
    assert result.integrity["frames_ok"] == len(log.frames)
    assert result.integrity["source"]["bytes_read"] < 16 << 20


def test_image_cut_in_the_middle_of_a_sector_gives_what_is_left_of_it(tmp_path):
    log = make_log(boots=(1,))
    image = tmp_path / "card.img"
    image.write_bytes(bytes(1 << 20) + log.data()[: 20 * 512 + 200])
    assert decode(image, tmp_path / "out").integrity["frames_ok"] == decode_log(tmp_path, log.data()[: 20 * 512 + 200])


def decode_log(folder, data):
    (folder / "TD000007.LOG").write_bytes(data)
    return decode(folder / "TD000007.LOG", folder / "cut").integrity["frames_ok"]


def test_log_that_lost_bytes_at_its_very_start_is_read_at_any_offset(tmp_path):
    log = make_log(boots=(1,))
    (tmp_path / "shifted.log").write_bytes(log.data()[7:])
    assert decode(tmp_path / "shifted.log", tmp_path / "out").integrity["frames_ok"] == len(log.frames)


def test_missing_file_is_named(tmp_path):
    message = refusal(tmp_path / "nowhere.img", tmp_path / "out")
    assert "nowhere.img" in message and "no such file" in message


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "empty"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(256)) * 40, "JPEG"),
        (b"A diary of the launch.\n" * 200, "text"),
        (b"Short.\n", "text"),
        (bytes(100_000), "zeros"),
        (b"\xff" * 100_000, "erased card or chip"),
        (b"\0\0\0\x18ftypheic" + bytes(range(256)) * 50, "as phones make them"),
        (b"QFI\xfb" + bytes(range(256)) * 50, "write a plain (raw) image"),
        (bytes(range(256)) * 50 + b"koly".ljust(512, b"\1"), "write a plain (raw) image"),
        (b'"boot","t_ms","utc","probe"\n1,1000,,0\n', "a table (CSV), as decoding makes them"),
        (bytes(range(256)) * 50, "no Thistledown log"),
    ],
)
def test_file_that_holds_no_log_is_refused_in_one_line(tmp_path, content, says):
    path = tmp_path / "thing.bin"
    path.write_bytes(content)
    message = refusal(path, tmp_path / "out")
    assert "thing.bin" in message and says in message
    assert not (tmp_path / "out").exists()


def test_folder_without_a_log_is_refused(tmp_path):
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "photo.jpg").write_bytes(b"\xff\xd8\xff")
    assert "no log in this folder" in refusal(tmp_path / "card", tmp_path / "out")
    (tmp_path / "card" / "TD000001.LOG").write_bytes(bytes(5000))
    assert "hold no records" in refusal(tmp_path / "card", tmp_path / "out")


def test_folder_above_or_behind_the_right_one_is_told_which_that_is(tmp_path):
    log = make_log(boots=(1,), count=20)
    (tmp_path / "usb" / "card").mkdir(parents=True)
    (tmp_path / "usb" / "card" / "TD000001.LOG").write_bytes(log.data())
    assert f"did you mean {tmp_path / 'usb' / 'card'}?" in refusal(tmp_path / "usb", tmp_path / "out")
    decode(tmp_path / "usb" / "card", tmp_path / "flight")
    message = refusal(tmp_path / "flight", tmp_path / "out")
    assert "decoded already" in message and f"thistledown report {tmp_path / 'flight'}" in message


@pytest.mark.skipif(bool(hurt_cards.missing_tools(["mkfs.fat"])), reason="needs mkfs.fat (Debian: dosfstools)")
def test_card_that_never_held_a_log_is_called_a_card(tmp_path):
    with open(tmp_path / "card.img", "wb") as image:
        image.truncate(4 << 20)
    subprocess.run([hurt_cards.tool("mkfs.fat"), tmp_path / "card.img"], check=True, capture_output=True)
    assert "is it the right card?" in refusal(tmp_path / "card.img", tmp_path / "out")


def test_source_that_is_named_twice_is_read_once(tmp_path):
    log = make_log(boots=(1,), count=20)
    path = tmp_path / "TD000001.LOG"
    path.write_bytes(log.data())
    account = decode([path, tmp_path / "." / "TD000001.LOG"], tmp_path / "out").integrity
    assert len(account["sources"]) == 1 and account["frames_ok"] == len(log.frames)
    assert any("the same file, which was read once" in note for note in account["notes"])


def test_device_is_refused_with_how_to_make_an_image(tmp_path):
    message = refusal("/dev/null", tmp_path / "out")
    assert "dd if=/dev/null" in message and "image" in message


def test_log_of_headers_and_text_without_a_record_is_refused(tmp_path):
    log = LogMaker()
    log.boot(1)
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    assert "no intact record" in refusal(tmp_path / "TD000001.LOG", tmp_path / "out")


def test_output_folder_that_exists_is_not_touched_without_force(tmp_path):
    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("keep")
    assert "exists" in refusal(tmp_path / "TD000001.LOG", out)
    assert os.listdir(out) == ["mine.txt"]
    decode(tmp_path / "TD000001.LOG", out, force=True)
    assert (out / "mine.txt").read_text() == "keep" and (out / "flight.parquet").exists()
    assert "--force" in refusal(tmp_path / "TD000001.LOG", out)
    decode(tmp_path / "TD000001.LOG", out, format="csv", force=True)
    assert not (out / "flight.parquet").exists() and (out / "flight.csv").exists()
    assert not [name for name in os.listdir(out) if name.startswith(".")]


def test_output_path_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    (tmp_path / "out").write_text("a file")
    assert "is a file" in refusal(tmp_path / "TD000001.LOG", tmp_path / "out", force=True)


def test_image_may_be_decoded_into_its_own_folder_once(tmp_path):
    image = tmp_path / "card.img"
    image.write_bytes(bytes(1 << 20) + make_log().data())
    (tmp_path / "truth.parquet").write_bytes(b"kept")
    decode(image, tmp_path)
    assert json.loads((tmp_path / "integrity.json").read_text())["frames_ok"] > 0
    assert "already holds a decoded flight" in refusal(image, tmp_path)
    assert (tmp_path / "truth.parquet").read_bytes() == b"kept"


def test_failure_while_writing_leaves_nothing_half_done(tmp_path, monkeypatch):
    from ground.decode import writing

    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    calls = []

    def fail_late(table, path, file_format):
        calls.append(path)
        if len(calls) == 4:
            raise OSError(28, "No space left on device")
        path.write_bytes(b"x")

    monkeypatch.setattr(writing, "_write", fail_late)
    assert "No space left" in refusal(tmp_path / "TD000001.LOG", tmp_path / "out")
    assert sorted(os.listdir(tmp_path)) == ["TD000001.LOG"]


def test_stop_while_tables_are_being_written_leaves_nothing(tmp_path, monkeypatch):
    from ground.decode import writing
    from ground.decode.course import flight

    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    written, write = [], writing._write
    monkeypatch.setattr(writing, "_write", lambda *what: (write(*what), written.append(what[1])))

    def stopped(*_args):
        while not written:  # another thread is at it
            time.sleep(0.001)
        raise KeyboardInterrupt

    monkeypatch.setattr(flight, "build", stopped)
    with pytest.raises(KeyboardInterrupt):
        decode(tmp_path / "TD000001.LOG", tmp_path / "out")
    assert sorted(os.listdir(tmp_path)) == ["TD000001.LOG"]


def test_folders_made_for_a_flight_that_could_not_be_written_go_too(tmp_path, monkeypatch):
    from ground.decode import writing

    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    (tmp_path / "flights").mkdir()

    def full(*_what):
        raise OSError("Error writing bytes to file. Detail: [errno 28] No space left on device")

    def full_as_the_system_says_it(*_what):
        raise OSError(28, "Error writing bytes to file. Detail: [errno 28] No space left on device")

    for fault in (full, full_as_the_system_says_it):
        monkeypatch.setattr(writing, "_write", fault)
        said = refusal(tmp_path / "TD000001.LOG", tmp_path / "flights" / "spring" / "first")
        assert "No space left on device" in said
        assert os.listdir(tmp_path / "flights") == []
    assert "(No space left on device); make room, or choose another folder" in said


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), OSError(5, "Input/output error")])
@pytest.mark.parametrize("at", range(8))
def test_old_flight_stays_whole_when_the_new_one_cannot_be_put_in_its_place(tmp_path, monkeypatch, fault, at):
    log = tmp_path / "TD000001.LOG"
    log.write_bytes(make_log().data())
    decode(log, tmp_path / "out", format="csv")
    before = {path: path.read_bytes() for path in sorted((tmp_path / "out").rglob("*")) if path.is_file()}
    rename, calls = os.rename, []

    def failing(source, goal):
        calls.append(goal)
        if len(calls) == at + 1:
            raise fault
        rename(source, goal)

    monkeypatch.setattr(os, "rename", failing)
    with pytest.raises((InputError, KeyboardInterrupt)):
        decode(log, tmp_path / "out", force=True)
    assert {path: path.read_bytes() for path in sorted((tmp_path / "out").rglob("*")) if path.is_file()} == before
    assert sorted(os.listdir(tmp_path)) == ["TD000001.LOG", "out"]


@pytest.mark.parametrize("where", ["loop", "loop/deeper"])
def test_goal_that_is_a_link_to_itself_is_refused(tmp_path, where):
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    assert "Too many levels of symbolic links" in refusal(tmp_path / "TD000001.LOG", tmp_path / where)


@pytest.mark.parametrize(("pack", "name"), [(gzip.compress, "gzip"), (bz2.compress, "bzip2"), (lzma.compress, "xz")])
def test_packed_image_is_called_packed(tmp_path, pack, name):
    (tmp_path / "card.img").write_bytes(pack(make_log().data()))
    message = refusal(tmp_path / "card.img", tmp_path / "out")
    assert f"packed file ({name})" in message and message.endswith("unpack it and give what comes out")


def test_zip_of_an_image_is_called_packed(tmp_path):
    with zipfile.ZipFile(tmp_path / "card.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("card.img", make_log().data())
    assert "packed file (zip)" in refusal(tmp_path / "card.zip", tmp_path / "out")


@pytest.mark.parametrize("texts", [["ab", "cd", None, "ab"], ["ab", "", "äöü", None], [None, None], ["", ""], []])
def test_texts_come_out_as_they_are(texts):
    column = words(texts)
    assert to_arrow(Table("one", {"text": column}))["text"].to_pylist() == texts
    column.vocabulary.append("of another length, and never used")
    assert to_arrow(Table("one", {"text": column}))["text"].to_pylist() == texts


def test_unknown_format_is_refused_before_anything_is_read(tmp_path):
    assert "parquet or csv" in refusal(tmp_path / "x", tmp_path / "out", format="xlsx")


def test_csv_holds_what_parquet_holds(tmp_path):
    from pyarrow import csv

    log = log_flight(LogMaker(), flight_profile(wait_s=10, top_m=500.0, rest_s=20))
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    decode(tmp_path / "TD000001.LOG", tmp_path / "parquet")
    decode(tmp_path / "TD000001.LOG", tmp_path / "csv", format="csv")
    for name in [*sorted(os.listdir(tmp_path / "parquet" / "tables")), "../flight.parquet"]:
        parquet = pq.read_table(tmp_path / "parquet" / "tables" / name).to_pydict()
        path = tmp_path / "csv" / "tables" / name.replace(".parquet", ".csv")
        options = csv.ConvertOptions(strings_can_be_null=True, timestamp_parsers=["none"])
        table = csv.read_csv(path, convert_options=options).to_pydict()
        assert list(table) == list(parquet), name
        for column, values in parquet.items():
            if column not in ("utc", "gnss_utc", "settings_crc", "board_id", "rom", "firmware", "log_id"):
                wanted = [None if value == "" else value for value in values]
                assert table[column] == wanted, (name, column)


def test_decoding_loads_no_heavy_library(tmp_path):
    (tmp_path / "TD000001.LOG").write_bytes(make_log().data())
    code = (
        f"import sys; from ground.decode import decode; assert 'pyarrow' not in sys.modules; "
        f"decode({str(tmp_path / 'TD000001.LOG')!r}, {str(tmp_path / 'out')!r}); "
        "print([m for m in ('pandas', 'scipy', 'pvlib', 'altair', 'polars') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=os.getcwd())
    assert done.stdout.strip() == "[]"

"""What `decode` is pointed at, found out by looking; wrong inputs get one line that says what, where and what next."""

import json
import os
import subprocess
import sys
import time

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.decode.arrow import to_arrow
from ground.decode.table import Table, words
from ground.errors import InputError
from shared_protocol.records import PRESSURE, TEMPERATURE
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

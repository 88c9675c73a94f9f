"""What is refused, and in which words: each time one line that says what it is and what to give instead."""

import bz2
import gzip
import lzma
import os
import subprocess
import zipfile

import pytest

from ground.decode import decode
from tests.ground import hurt_cards
from tests.ground.log_maker import LogMaker
from tests.ground.test_decode_sources import make_log, refusal


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


@pytest.mark.parametrize(("pack", "name"), [(gzip.compress, "gzip"), (bz2.compress, "bzip2"), (lzma.compress, "xz")])
def test_packed_image_is_called_packed(tmp_path, pack, name):
    (tmp_path / "card.img").write_bytes(pack(make_log().data()))
    message = refusal(tmp_path / "card.img", tmp_path / "out")
    assert f"packed file ({name})" in message and message.endswith("unpack it and give what comes out")


def test_zip_of_an_image_is_called_packed(tmp_path):
    with zipfile.ZipFile(tmp_path / "card.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("card.img", make_log().data())
    assert "packed file (zip)" in refusal(tmp_path / "card.zip", tmp_path / "out")


def test_files_of_a_folder_that_hold_nothing_are_named_beside_the_log(tmp_path):
    log = make_log(boots=(1,), count=20)
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    (tmp_path / "TD000002.LOG").write_bytes(b"\xff\xd8\xff\xe0" + bytes(range(256)) * 9)
    (tmp_path / "TD000003.LOG").write_bytes(b"")
    account = decode(tmp_path, tmp_path / "out").integrity
    assert account["frames_ok"] == len(log.frames)
    told = [note for note in account["notes"] if note.startswith("TD00000")]
    assert ["JPEG picture" in told[0], "is empty" in told[1], len(told)] == [True, True, 2]


def test_what_to_do_with_a_source_that_gave_nothing_is_told_beside_the_others(tmp_path):
    (tmp_path / "TD000001.LOG").write_bytes(make_log(boots=(1,), count=20).data())
    (tmp_path / "card.img.gz").write_bytes(gzip.compress(bytes(1000)))
    notes = decode([tmp_path / "TD000001.LOG", tmp_path / "card.img.gz"], tmp_path / "out").integrity["notes"]
    assert any("card.img.gz: this is a packed file" in note and "unpack it" in note for note in notes)


def test_pipe_is_refused_with_what_to_do(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert "save what comes out of it" in refusal(tmp_path / "pipe", tmp_path / "out")

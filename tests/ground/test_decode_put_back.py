"""What a terminal did to a log on its way into a file is undone byte for byte, and said; nothing else is touched."""

import base64
import codecs

import numpy as np
import pytest

from ground.decode import decode
from ground.decode.salvage.put_back import put_back
from ground.decode.salvage.source import NothingThere
from ground.decode.salvage.sources import open_source
from tests.ground import hurt_cards
from tests.ground.test_decode_sources import make_log

LOG = make_log(log_id=6, boots=(7, 8), seed=6, count=1500)
FRAMES = {(LOG.log_id, boot, seq, t, record) for boot, record, seq, t, _values in LOG.frames}
SEED = 20310529


def text_mode(raw):
    return raw.replace(b"\n", b"\r\n")


def utf8(raw):
    return raw.decode("latin-1").encode()


def after_a_greeting(raw):
    return text_mode(b"board is awake\n" * 40 + raw + b"board sleeps\n")


def with_a_line_of_the_terminals_own(raw):
    return b"capture begins\n" + text_mode(raw)


def address_and_text(raw):
    lines = [raw[at : at + 16] for at in range(0, len(raw), 16)]
    return "\n".join(f"{n * 16:08x}  {line.hex(' ')}  |Wait for it.|" for n, line in enumerate(lines)).encode()


def console(page, encoding):
    """As a console of that code page saves what a program writes; bytes without a character keep their number."""

    def change(raw):
        text = "".join(bytes([byte]).decode(page, "ignore") or chr(byte) for byte in raw)
        return codecs.BOM_UTF16_LE * (encoding == "utf-16-le") + text.encode(encoding)

    return change


CONSOLES = [console(page, code) for page in ("cp1252", "cp437", "cp850") for code in ("utf-8", "utf-16-le")]
CONSOLES += [console("latin-1", "utf-16-be"), lambda raw: console("cp437", "utf-16-le")(text_mode(raw))]
LINES = [text_mode, utf8, lambda raw: utf8(text_mode(raw)), after_a_greeting, with_a_line_of_the_terminals_own]
CHANGES = [*LINES, *CONSOLES]


@pytest.mark.parametrize("change", CHANGES)
def test_log_changed_on_its_way_gives_every_record_and_says_so(tmp_path, change):
    path = tmp_path / "saved.txt"
    path.write_bytes(change(LOG.data()))
    assert hurt_cards.frames_recovered(path)[1] == FRAMES
    account = decode(path, tmp_path / "out").integrity
    assert account["frames_ok"] == len(FRAMES) and account["frames_missing"] == 0
    assert any("saved.txt: each" in note and "was undone" in note for note in account["notes"])


@pytest.mark.parametrize("part", [slice(0, 30_000), slice(9_000, None), slice(20_000, 50_000)])
def test_log_of_which_a_part_was_changed_gives_every_record_but_at_the_edges_and_says_so(tmp_path, part):
    path = tmp_path / "saved.bin"
    first, last, _step = part.indices(len(LOG.data()))
    path.write_bytes(LOG.data()[:first] + text_mode(LOG.data()[part]) + LOG.data()[last:])
    recovered = hurt_cards.frames_recovered(path)[1]
    assert recovered <= FRAMES and len(FRAMES - recovered) <= 2
    notes = decode(path, tmp_path / "out").integrity["notes"]
    assert any("saved.bin: in a part of it each line feed had become" in note for note in notes)


def test_lines_of_text_between_frames_are_no_change_of_the_frames(tmp_path):
    path = hurt_cards.capture(tmp_path, LOG.data(), b"")
    plain = hurt_cards.frames_recovered(path)[1]
    path.write_bytes(b"one more line of text\r\n" * 3000 + path.read_bytes())
    assert hurt_cards.frames_recovered(path)[1] == plain
    assert open_source(path).changes == []


@pytest.mark.parametrize("raw", [b"\xc3", b"\xff", b"a\xe2"])
def test_file_that_is_hardly_more_than_half_a_character_is_refused_in_one_line(tmp_path, raw):
    (tmp_path / "capture.bin").write_bytes(raw)
    with pytest.raises(NothingThere):
        open_source(tmp_path / "capture.bin")


def test_capture_without_sectors_in_text_mode_gives_what_it_gives_otherwise(tmp_path):
    path = hurt_cards.capture(tmp_path, LOG.data(), b"")
    plain = hurt_cards.frames_recovered(path)[1]
    path.write_bytes(text_mode(path.read_bytes()))
    assert hurt_cards.frames_recovered(path)[1] == plain
    assert len(plain) > 500


@pytest.mark.parametrize("change", CHANGES[:3])
def test_any_bytes_come_back_as_they_were(change):
    print(f"seed {SEED}")
    raw = np.random.default_rng(SEED).bytes(40_000) + b"\r\n\r\r\n\n\r"
    assert put_back(np.frombuffer(change(raw), np.uint8))[0] == raw


def test_bytes_that_nobody_changed_are_left_alone():
    rng = np.random.default_rng(SEED)
    for raw in LOG.data(), rng.bytes(100_000), b"", b"\n" * 500, bytes(1000), b"plain words\n" * 100:
        assert put_back(np.frombuffer(raw, np.uint8)) is None


def mailed(raw):
    head, end = b"Subject: the log\r\nContent-Transfer-Encoding: base64\r\n\r\n", b"\r\n--end--\r\n"
    return head + base64.encodebytes(raw) + end


@pytest.mark.parametrize(("change", "said"), [
    (lambda raw: raw.hex().encode(), "each byte was written as two hexadecimal digits"),
    (lambda raw: raw.hex(" ", 16).upper().encode(), "each byte was written as two hexadecimal digits"),
    (address_and_text, "the bytes were written as lines of hexadecimal digits with addresses"),
    (base64.encodebytes, "the bytes were written as text (base64)"),
    (base64.b64encode, "the bytes were written as text (base64)"),
    (mailed, "the bytes were written as text (base64)"),
    (lambda raw: bytes(255 - byte for byte in raw), "every bit was turned over"),
    (lambda raw: np.packbits(np.unpackbits(np.frombuffer(raw, "u1"), bitorder="little")).tobytes(), "stood in reverse"),
    (lambda raw: bytes(byte >> 4 | byte << 4 & 0xF0 for byte in raw), "the two halves of each byte had changed places"),
    (lambda raw: np.frombuffer(raw, "<u2").byteswap().tobytes() + b"odd", "the two bytes of each pair had changed"),
    (lambda raw: np.frombuffer(raw, "<u4").byteswap().tobytes(), "the bytes of each four stood in reverse order"),
])  # fmt: skip
def test_log_written_in_another_way_gives_every_record_and_says_so(tmp_path, change, said):
    path = tmp_path / "log.bin"
    path.write_bytes(change(LOG.data()))
    assert hurt_cards.frames_recovered(path)[1] == FRAMES
    assert any(said in note and "was undone" in note for note in decode(path, tmp_path / "out").integrity["notes"])


@pytest.mark.parametrize(("change", "said"), [
    (lambda raw: b"nothing of ours".hex().encode() * 50, "hexadecimal digits; as it is there is no"),
    (lambda raw: base64.encodebytes(b"only words. " * 5000), "looks like base64 text; as it is there is no"),
    (lambda raw: bytes(byte & 0x7F for byte in raw), "lost its highest bit on a line of seven bits"),
])  # fmt: skip
def test_log_that_cannot_be_made_bytes_again_is_called_what_it_looks_like(tmp_path, change, said):
    path = tmp_path / "log.bin"
    path.write_bytes(change(LOG.data()))
    with pytest.raises(NothingThere, match=said):
        open_source(path)


def test_text_with_the_line_ends_of_another_system_is_still_no_log(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_bytes("22 °C in the shade\r\n".encode() * 500)
    with pytest.raises(NothingThere, match="looks like text"):
        open_source(path)

"""Dumps with addresses give back the bytes that were dumped, by the programs that write such dumps."""

import subprocess

import numpy as np
import pytest

from ground.decode import decode
from ground.decode.salvage.addressed import laid_out
from tests.ground import hurt_cards
from tests.ground.hurt_flash import FLASH_AT, uf2
from tests.ground.test_decode_sources import make_log

LOG = make_log(boots=(3,), count=200)

TEXT_DUMPS = {
    "xxd": ["xxd"],
    "xxd, byte by byte": ["xxd", "-g1", "-u"],
    "hexdump with characters": ["hexdump", "-C"],
    "hexdump": ["hexdump"],
    "od of bytes": ["od", "-t", "x1"],
    "od of words": ["od", "-A", "x", "-t", "x4"],
    "od, counted in tens": ["od", "-A", "d", "-t", "x2"],
}


def chip():
    """A piece of flash: erased, a log, erased."""
    return b"\xff" * 8192 + LOG.data() + b"\xff" * 4096


def array(data):
    return np.frombuffer(data, dtype=np.uint8)


def needs(tool):
    if hurt_cards.missing_tools([tool]):
        pytest.skip(f"needs {tool}")


@pytest.mark.parametrize("kind", TEXT_DUMPS)
def test_dump_as_text_is_what_was_dumped(tmp_path, kind):
    needs(TEXT_DUMPS[kind][0])
    (tmp_path / "flash.bin").write_bytes(chip())
    text = subprocess.run([*TEXT_DUMPS[kind], tmp_path / "flash.bin"], capture_output=True, check=True).stdout
    raw = laid_out(array(text)).raw
    assert raw == chip()[: len(raw)] and LOG.data() in raw
    (tmp_path / "flash.txt").write_bytes(text.replace(b"\n", b"\r\n"))
    account = decode(tmp_path / "flash.txt", tmp_path / "out").integrity
    assert account["frames_ok"] == len(LOG.frames)
    assert any("hexadecimal digits with addresses" in note for note in account["notes"])


@pytest.mark.parametrize("form", ["ihex", "srec"])
def test_dump_that_objcopy_writes_is_what_was_dumped(tmp_path, form):
    needs("objcopy")
    source, dump = tmp_path / "flash.bin", tmp_path / "flash.txt"
    source.write_bytes(chip())
    subprocess.run(["objcopy", "-I", "binary", "-O", form, f"--change-addresses={FLASH_AT}", source, dump], check=True)
    assert laid_out(array(dump.read_bytes())).raw == chip()
    assert decode(dump, tmp_path / "out").integrity["frames_ok"] == len(LOG.frames)
    lines = dump.read_bytes().splitlines(keepends=True)
    lines[1500] = lines[1500].replace(lines[1500][20:22], b"3C" if lines[1500][20:22] != b"3C" else b"3D")
    hurt = laid_out(array(b"".join(lines))).raw  # a line that its checksum refuses is as if it were not there
    wrong = [n for n, (a, b) in enumerate(zip(hurt, chip(), strict=True)) if a != b]
    assert wrong and wrong[-1] - wrong[0] < 16 and set(hurt[wrong[0] : wrong[-1] + 1]) == {0xFF}


@pytest.mark.parametrize("order", [1, -1])
def test_uf2_blocks_are_laid_out_by_their_addresses(tmp_path, order):
    data = chip()[: len(chip()) // 256 * 256]
    path = tmp_path / "flash.uf2"
    path.write_bytes(uf2(data, order=order))
    assert laid_out(array(path.read_bytes())).raw == data
    assert decode(path, tmp_path / "out").integrity["frames_ok"] == len(LOG.frames)


def test_places_far_apart_stay_where_they_were_in_a_page_and_take_no_room():
    two = uf2(b"\1" * 256, address=0x10000800) + uf2(b"\2" * 256, address=0x50000A00)
    raw = laid_out(array(two)).raw
    assert len(raw) < 3 * 4096
    assert raw.find(b"\1" * 256) % 4096 == 0x800 and raw.find(b"\2" * 256) % 4096 == 0xA00


def test_few_lines_that_stand_for_very_many_bytes_are_bounded():
    text = b"".join(b"%08x  aa bb\n*\n" % (n << 26) for n in range(30))
    assert len(laid_out(array(text)).raw) <= 32 << 20


@pytest.mark.parametrize(
    "data", [b":", b"S1", b"0000 00 00\n0010", b"UF2\n\x57\x51\x5d\x9e", b"2031-05-17 09:30 rain\n" * 9]
)
def test_what_only_begins_like_a_dump_is_none(data):
    found = laid_out(array(data))
    assert found is None or len(found.raw) < 64

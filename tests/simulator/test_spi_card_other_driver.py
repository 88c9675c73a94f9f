"""The virtual SD card read by a driver that is not ours: adafruit-circuitpython-sd (version in requirements-test.txt).

It mounts the card (with pyfatfs for the file system), writes and reads back on all three kinds. Where the two
disagree the SD Physical Layer Simplified Specification decides; each case has a test below:
- data response: the specification leaves its upper three bits open (7.3.3.1), the virtual card sends ones; this driver
  wants bit 7 clear, so it takes the busy byte behind it for the answer, and its own failure is not handed on. The
  block is on the card all the same. Kept: real cards send E5.
- the driver reads only 16 of the 22 bits of C_SIZE (5.3.3) and two wrong bits of a version 1 register (5.3.2), so it
  knows the size of cards up to 32 GiB, and of standard-capacity cards only when their C_SIZE ends in 00. Ours are
  right.
- it never switches the CRC on and never asks CMD13, so it takes a hurt block for good. Ours notices.
"""

import importlib
import random

import pytest
from pyfatfs.PyFatFS import PyFatBytesIOFS

from firmware.drivers.sdcard import SDCard
from ground.simulator.board.spi_card_codes import csd
from ground.simulator.boot_process import format_card
from ground.simulator.interpreter import find_interpreter
from tests.interpreters import ROOT
from tests.simulator.other_libraries import circuitpython
from tests.simulator.spi_bench import BlockFile, CircuitPythonPin, CircuitPythonSpi, SpiBench

KINDS = ("sdhc", "sdsc", "sdsc1")
BLOCKS = 32768


@pytest.fixture
def other(monkeypatch):
    module = circuitpython(monkeypatch, "adafruit_sdcard")
    monkeypatch.setattr(module.time, "sleep", lambda _s: None)  # its pauses; the virtual clock goes by bytes
    return module


def made(other, bench):
    bench.card._started_us = -1
    return other.SDCard(CircuitPythonSpi(bench.spi), CircuitPythonPin(bench.cs))


@pytest.mark.parametrize("kind", KINDS)
def test_it_reads_what_our_driver_wrote_and_the_other_way_round(other, tmp_path, kind):
    bench = SpiBench(tmp_path, kind, BLOCKS)
    theirs = made(other, bench)
    rng = random.Random(4)
    for number in (0, 1, 77, BLOCKS - 1):
        data = rng.randbytes(512)
        assert theirs.writeblocks(number, data) == 0
        buf = bytearray(512)
        assert theirs.readblocks(number, buf) == 0
        assert buf == data == bench.block(number)
    many = rng.randbytes(512 * 9)
    theirs.writeblocks(100, many)
    buf = bytearray(len(many))
    theirs.readblocks(100, buf)
    assert buf == many
    ours = SDCard(bench.spi, bench.cs, bench.clock.ticks_ms, bench.clock.sleep_ms)
    ours.readblocks(100, buf)
    assert buf == many
    assert bench.objections == []


@pytest.mark.parametrize("kind", KINDS)
def test_it_mounts_the_card_writes_a_file_and_reads_it_back(other, tmp_path, kind):
    image = tmp_path / "card.img"
    with open(image, "wb") as file:
        file.truncate(BLOCKS * 512)
    format_card(find_interpreter(), image, ROOT)
    bench = SpiBench(tmp_path, kind, image=image)
    text = bytes(range(256)) * 40
    fs = PyFatBytesIOFS(BlockFile(made(other, bench), BLOCKS))
    fs.writebytes("/HELLO.BIN", text)
    fs.close()
    again = PyFatBytesIOFS(BlockFile(made(other, bench), BLOCKS))
    assert again.listdir("/") == ["HELLO.BIN"]
    assert again.readbytes("/HELLO.BIN") == text
    again.close()
    assert [what for what in bench.objections if "middle" not in what] == []


def test_sizes_agree_where_that_driver_reads_the_register_rightly(other, tmp_path):
    for kind in ("sdhc", "sdsc"):
        bench = SpiBench(tmp_path, kind, BLOCKS)
        ours = SDCard(bench.spi, bench.cs, bench.clock.ticks_ms, bench.clock.sleep_ms)
        ours.begin()
        assert ours.blocks == BLOCKS
    bench = SpiBench(tmp_path, "sdhc", BLOCKS)
    assert made(other, bench).count() == BLOCKS


def test_sizes_that_it_reads_wrongly_are_right_by_the_specification(other, tmp_path):
    """128 GiB: C_SIZE = 262143 (5.3.3) needs bits 69..64, which it leaves out."""
    from firmware.drivers.sdcard_codes import capacity_blocks

    register = csd(1 << 28, True)
    assert capacity_blocks(register) == 1 << 28
    assert ((register[8] << 8 | register[9]) + 1) * 1024 != 1 << 28
    register = csd(512 * 6, False)  # C_SIZE = 5
    assert capacity_blocks(register) == 512 * 6
    assert (register[8] & 0xC) >> 6 != register[8] >> 6  # its mask and its shift do not fit each other


def test_a_block_that_was_hurt_on_the_way_it_takes_for_good_and_ours_does_not(other, tmp_path):
    bench = SpiBench(tmp_path, "sdhc", BLOCKS)
    theirs = made(other, bench)
    data = bytes(range(256)) * 2
    plain = bench.card._take_block

    def hurt():
        bench.card._data[100] ^= 0x10
        plain()

    bench.card._take_block = hurt
    assert theirs.writeblocks(3, data) == 0
    assert bench.block(3) != data
    ours = SDCard(bench.spi, bench.cs, bench.clock.ticks_ms, bench.clock.sleep_ms)
    with pytest.raises(OSError):
        ours.writeblocks(4, data)
    assert bench.block(4) != data


def test_the_library_that_was_tried_is_the_one_of_the_lock():
    version = importlib.metadata.version("adafruit-circuitpython-sd")
    assert f"adafruit-circuitpython-sd=={version}" in (ROOT / "requirements-test.txt").read_text()

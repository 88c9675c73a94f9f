"""The virtual flash: MicroPython's own littlefs on it, bits that only fall, wear, and cuts at any operation.

The file system in the images is read back by MicroPython's driver in another process, and its blocks by
ground/decode/salvage/littlefs.py; what a page and a block are is common to serial NOR flash.
"""

import json

import numpy as np
import pytest

from ground.decode.salvage import littlefs
from ground.simulator.board.clock import Clock, PowerCut
from ground.simulator.board.flash_chip import BLOCK, PAGE, FlashChip, programmed
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.write_journal import FLASH_ERASE, FLASH_PROGRAM
from tests.interpreters import micropython_path, run
from tests.simulator.boots import firmware
from tests.simulator.flights import scenario_with

needs_micropython = pytest.mark.skipif(not micropython_path(), reason="littlefs comes with MicroPython")

MOUNTED = """
from ground.simulator.board.flash_chip import FlashChip
from ground.simulator.board.flash_mount import mount
import os
chip = FlashChip(None, None, {path!r})
mount(chip)
os.chdir("/flash")
"""


@pytest.fixture
def chip(tmp_path):
    path = tmp_path / "flash.img"
    path.write_bytes(b"\xff" * (4 * BLOCK))
    clock = Clock()
    flash = FlashChip(clock, Ledger(clock), str(path))
    yield flash
    flash.close()


def on_flash(image, code):
    """What a piece of code prints that runs with the image mounted."""
    return run(MOUNTED.format(path=str(image)) + code, "micropython")


def read(chip, block, length, offset=0):
    data = bytearray(length)
    chip.readblocks(block, data, offset)
    return bytes(data)


def test_bits_fall_by_programming_and_rise_only_by_erasing_their_block(chip):
    chip.writeblocks(1, b"\xf0\x0f", 10)
    assert read(chip, 1, 4, 9) == b"\xff\xf0\x0f\xff"
    assert chip._ledger.objection_count == 0
    chip.writeblocks(1, b"\xff\x0c", 10)
    assert read(chip, 1, 2, 10) == b"\xf0\x0c"
    assert chip._ledger.objections[0]["what"] == "block 1, byte 10: a program over bits not erased"
    chip.writeblocks(2, b"\x00", 0)
    chip.ioctl(6, 1)
    assert read(chip, 1, BLOCK) == b"\xff" * BLOCK
    assert read(chip, 2, 1) == b"\x00"


def test_programming_is_a_bitwise_and_in_every_pair_of_bytes():
    old = bytes(range(256)) * 256
    new = bytes(value for value in range(256) for _ in range(256))
    wanted = (np.frombuffer(old, np.uint8) & np.frombuffer(new, np.uint8)).tobytes()
    assert programmed(old, new) == wanted
    assert programmed(b"\xff" * 4, memoryview(b"abcd")) == b"abcd"


def test_a_write_is_cut_into_pages_and_each_takes_its_time(chip):
    seen = []
    chip.before_operation = lambda what, block, offset, data: seen.append((what, block, offset, len(data)))
    chip.writeblocks(0, bytes(2 * PAGE), PAGE - 6)
    assert seen == [(FLASH_PROGRAM, 0, 250, 6), (FLASH_PROGRAM, 0, 256, 256), (FLASH_PROGRAM, 0, 512, 250)]
    assert chip._clock.now_us == 3 * 400
    chip.erase(3)
    assert seen[3:] == [(FLASH_ERASE, 3, 0, 0)]
    assert (chip.operation_count, chip.program_count, chip.erases) == (4, 3, {3: 1})


def test_a_block_beyond_the_last_is_refused_and_objected_to(chip):
    with pytest.raises(OSError):
        chip.writeblocks(3, bytes(2), BLOCK - 1)
    with pytest.raises(OSError):
        chip.erase(4)
    assert chip._ledger.objection_count == 2


def test_nothing_is_stored_once_the_supply_is_gone(chip):
    with pytest.raises(PowerCut):
        chip._clock.end(PowerCut("now"))
    for late in (lambda: chip.writeblocks(0, b"\x00", 0), lambda: chip.erase(0), lambda: read(chip, 0, 1)):
        with pytest.raises(PowerCut):
            late()
    assert chip.raw(0, 0, 1) == b"\xff"


@needs_micropython
def test_flash_image_beside_the_card_holds_what_the_boots_left(fly_it, tmp_path):
    own = firmware(tmp_path, """
names = sorted(os.listdir())
with open("seen.txt", "a") as file:
    file.write("%s %s\\n" % (machine.reset_cause(), names))
time.sleep_ms(50)
if machine.reset_cause() == machine.PWRON_RESET:
    machine.reset()
while True:
    time.sleep(1)
""")
    result = fly_it(firmware_folder=own, stop_after_s=3.0)
    assert result.complaints() == []
    said = on_flash(result.flash_image, 'print(open("seen.txt").read(), end="")').splitlines()
    assert said == ["1 ['settings.json']", "3 ['seen.txt', 'settings.json']"]
    again = fly_it("again", firmware_folder=own, stop_after_s=3.0, flash_image=result.flash_image)
    assert len(on_flash(again.flash_image, 'print(open("seen.txt").read(), end="")').splitlines()) == 4
    wear = json.loads((again.out_dir / "flight.json").read_text())["flash_wear"]
    assert wear == again.flash_wear()
    figures = [boot["flash"] for boot in again.boots]
    assert all(one["operations"] == one["programs"] + sum(n for _, n in one["erases"]) for one in figures)


@needs_micropython
def test_flash_is_as_large_as_the_scenario_says_and_shows_it(scenario, fly_it, tmp_path):
    own = firmware(tmp_path, """
with open("v.txt", "w") as file:
    file.write(repr(os.statvfs("/")))
""")
    small = scenario.model_copy(update={"flash": scenario_with(flash={"size_kib": 256}).flash})
    result = fly_it(scenario=small, firmware_folder=own, stop_after_s=1.0)
    assert result.flash_image.stat().st_size == 256 * 1024
    shown = on_flash(result.flash_image, 'print(open("v.txt").read())')
    assert shown.startswith("(4096, 4096, 64, ")


@needs_micropython
def test_two_flights_of_one_seed_leave_the_same_flash(fly_it, tmp_path):
    own = firmware(tmp_path, """
with open("a.bin", "wb") as file:
    file.write(os.urandom(9000))
""")
    first, second = (fly_it(name, firmware_folder=own, stop_after_s=1.0) for name in ("one", "two"))
    assert first.flash_image.read_bytes() == second.flash_image.read_bytes()


@needs_micropython
def test_wear_counts_each_erase_of_a_file_written_again_and_again(fly_it, tmp_path):
    own = firmware(tmp_path, """
for turn in range(200):
    with open("turn.bin", "wb") as file:
        file.write(bytes(5000))
""")
    wear = fly_it(firmware_folder=own, stop_after_s=200.0).flash_wear()
    assert wear["erases"] >= 400  # two blocks of data each time
    assert 1 <= wear["erases_of_one_block_max"] <= 40  # littlefs spreads them over 352 blocks


@needs_micropython
@pytest.mark.parametrize("manner", ["clean", "torn", "lost"])
def test_power_can_fail_at_any_flash_operation_and_the_file_system_still_mounts(fly_it, tmp_path, manner):
    own = firmware(tmp_path, """
number = 0
try:
    number = int(open("n.txt").read())
except (OSError, ValueError):
    pass
with open("all.txt", "a") as file:
    file.write("%d\\n" % number)
for turn in range(4):
    number += 1
    with open("n.txt", "w") as file:
        file.write("%d" % number)
while True:
    time.sleep(1)
""")
    for write in (1, 2, 4, 5):
        fault = {"kind": "power_cut_at_flash_write", "write": write, "manner": manner, "bytes": 13}
        result = fly_it(f"cut{write}", firmware_folder=own, stop_after_s=6.0, faults=[fault])
        assert [boot["reason"] for boot in result.boots] == ["power_cut", "end_of_world"]
        assert result.boots[0]["flash"]["operations"] == write
        assert [boot["escaped"] for boot in result.boots] == [None, None]
        assert result.complaints() == []


@needs_micropython
def test_blocks_of_a_long_file_are_found_in_the_image_by_the_decoder(fly_it, tmp_path):
    own = firmware(tmp_path, """
with open("long.bin", "wb") as file:
    file.write(bytes(range(256)) * 80)
""")
    data = np.fromfile(fly_it(firmware_folder=own, stop_after_s=2.0).flash_image, dtype=np.uint8)
    offset, size, count = littlefs.volumes(data)[0]
    assert (offset, size, count) == (0, BLOCK, len(data) // BLOCK)
    streams, _ = littlefs.chains(data, offset, size, count)
    assert any(bytes(range(256)) * 78 in stream.tobytes() for stream in streams)

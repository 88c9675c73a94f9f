"""The virtual card: MicroPython's own FAT driver on it, counts by region, and the hooks by which it goes wrong."""

import json
import shutil
import subprocess

import pytest

from ground.simulator.board.card import BLOCK, Card
from ground.simulator.board.card_layout import BOOT, DATA, DIRECTORY, FAT, CardLayout
from ground.simulator.board.card_stamps import stamped
from ground.simulator.board.clock import Clock, PowerCut
from ground.simulator.board.ledger import Ledger
from ground.simulator.boot_process import format_card
from ground.simulator.interpreter import find_interpreter
from tests.interpreters import INTERPRETERS, ROOT, run

MEBI = 1 << 20


def formatted(path, size_mib=64, runtime="micropython"):
    with open(path, "wb") as file:
        file.truncate(size_mib * MEBI)
    format_card(find_interpreter(runtime), path, ROOT)
    return path


def fsck(path, offset=0):
    """What dosfstools' fsck.fat finds; an empty text is good."""
    program = shutil.which("fsck.fat") or shutil.which("fsck.fat", path="/usr/sbin:/sbin")
    if program is None:
        pytest.skip("fsck.fat (dosfstools) is not installed")
    done = subprocess.run([program, "-n", str(path)], capture_output=True, text=True)
    lines = done.stdout.splitlines()[1:]
    return "" if done.returncode == 0 and len(lines) == 1 else done.stdout + done.stderr


def opened(path, clock=True, **parameters):
    clock = Clock() if clock else None
    card = Card(clock, Ledger(clock), str(path), **parameters)
    card.read_layout()
    return card


@pytest.mark.parametrize("runtime", INTERPRETERS)
@pytest.mark.parametrize("size_mib", [4, 17, 64, 256, 1024])
def test_a_new_card_is_a_volume_without_a_fault(tmp_path, size_mib, runtime):
    path = formatted(tmp_path / "card.img", size_mib, runtime)
    assert path.stat().st_size == size_mib * MEBI
    assert fsck(path) == ""


@pytest.mark.parametrize("runtime", INTERPRETERS)
@pytest.mark.parametrize("size_mib, free_mib", [(17, 0.0), (64, 0.25), (1100, 0.5)])
def test_a_card_that_is_full_of_something_else_is_a_volume_without_a_fault(tmp_path, size_mib, free_mib, runtime):
    path = tmp_path / "card.img"
    with open(path, "wb") as file:
        file.truncate(size_mib * MEBI)
    format_card(find_interpreter(runtime), path, ROOT, free_mib)
    assert fsck(path) == ""
    assert path.stat().st_blocks * 512 < 3 * MEBI
    if shutil.which("mdir") is None:
        pytest.skip("mdir (mtools) is not installed")
    listed = subprocess.run(["mdir", "-i", str(path)], capture_output=True, text=True, check=True).stdout
    free = int("".join(listed.split("bytes free")[0].splitlines()[-1].split()))
    assert free_mib * MEBI - 32768 < free <= free_mib * MEBI
    assert "PICT0000 BIN" in listed and "2021-01-01" in listed  # not the laptop's date


def test_a_new_card_takes_little_room_on_the_laptop(tmp_path):
    path = formatted(tmp_path / "card.img", 1024)
    assert path.stat().st_blocks * 512 < 2 * MEBI


WRITES = """
import sys, json
from ground.simulator.board.card import Card
from ground.simulator.board.clock import Clock
from ground.simulator.board.ledger import Ledger
clock = Clock()
ledger = Ledger(clock)
card = Card(clock, ledger, {path!r})
card.read_layout()
import os
if sys.implementation.name == "micropython":
    import vfs
else:
    from ground.simulator.board import cpython_vfs as vfs
    vfs.install()
vfs.mount(vfs.VfsFat(card), "/sd")
with open("/sd/TD000001.LOG", "wb") as file:
    file.seek(2 * 1048576 - 1)
    file.write(b"\\0")
armed = dict(ledger.counts)
file = open("/sd/TD000001.LOG", "r+b")
ledger.counts.clear()
for sector in range(100):
    file.seek(sector * 512)
    file.write(bytes([sector]) * 512)
buf = bytearray(512)
file.seek(40 * 512)
count = file.readinto(buf)
written = dict(ledger.counts)
print(json.dumps([armed, written, count, buf[0], os.listdir("/sd"), os.stat("/sd/TD000001.LOG")[6],
                  clock.now_us, [entry[0] for entry in os.ilistdir("/sd")], os.statvfs("/sd")[0] > 0]))
"""


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_preallocated_file_is_written_in_place_one_block_a_sector(tmp_path, interpreter):
    """prototype_measurements, section 4: preallocated, aligned, no flush: 1.00 writes a sector, data only."""
    path = formatted(tmp_path / "card.img", 64, interpreter)
    armed, counts, count, first, names, size, now_us, listed, has_size = json.loads(
        run(WRITES.format(path=str(path)), interpreter)
    )
    assert armed["card_writes_directory"] >= 1
    assert armed["card_writes_fat"] >= 1
    assert counts["card_writes_data"] == 100
    assert set(counts) <= {"card_writes_data", "card_reads_data", "card_reads_fat"}
    assert (count, first, names, size, listed, has_size) == (512, 40, ["TD000001.LOG"], 2 * MEBI, names, True)
    assert 100 * 3_000 < now_us < 100 * 40_000
    assert fsck(path) == ""


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_the_file_on_the_card_is_found_by_a_tool_from_elsewhere(tmp_path, interpreter):
    """mtools reads the directory and the data back."""
    if shutil.which("mcopy") is None:
        pytest.skip("mtools is not installed")
    path = formatted(tmp_path / "card.img", 64, interpreter)
    run(WRITES.format(path=str(path)), interpreter)
    subprocess.run(["mcopy", "-i", str(path), "::/TD000001.LOG", str(tmp_path / "out.log")], check=True)
    data = (tmp_path / "out.log").read_bytes()
    assert len(data) == 2 * MEBI
    assert data[: 100 * 512] == b"".join(bytes([sector]) * 512 for sector in range(100))


SMALL_FILES = """
import sys
from ground.simulator.board.card import Card
from ground.simulator.board.clock import Clock
from ground.simulator.board.ledger import Ledger
clock = Clock()
card = Card(clock, Ledger(clock), {path!r})
import os
if sys.implementation.name == "micropython":
    import vfs
else:
    from ground.simulator.board import cpython_vfs as vfs
    vfs.install()
vfs.mount(vfs.VfsFat(card), "/sd")
with open("/sd/A.TXT", "w") as file:
    file.write("hello\\n" * 1000)
with open("/sd/A.TXT") as file:
    print(len(file.read()))
with open("/sd/A.TXT", "r+b") as file:
    file.seek(510)
    file.write(b"0123456789")
    file.seek(500)
    buf = bytearray(30)
    print(file.readinto(buf), bytes(buf))
with open("/sd/A.TXT", "ab") as file:
    file.write(b"end")
print(os.stat("/sd/A.TXT")[6])
with open("/sd/A.TXT", "wb") as file:
    file.write(b"new")
print(os.stat("/sd/A.TXT")[6])
os.remove("/sd/A.TXT")
print(os.listdir("/sd"))
try:
    open("/sd/A.TXT", "rb")
except OSError as error:
    print(error.args[0])
with open("/sd/BIG.BIN", "wb") as file:
    end = file.seek(100 * 1048576)
    room = os.statvfs("/sd")
    print(16000000 < end < 18000000, end == os.statvfs("/sd")[0] * room[2])
    try:
        file.write(b"x" * 512)
    except OSError as error:
        print(error.args[0])
    file.seek(end - 512)
    print(file.write(b"y" * 512))
    try:
        open("/sd/MORE.BIN", "wb").write(b"z" * 512)
    except OSError as error:
        print(error.args[0])
with open("/sd/BIG.BIN", "rb") as file:
    file.seek(-512, 2)
    print(file.read(), file.seek(end + 5) == end, file.read(1))
"""


def test_both_interpreters_do_the_same_with_files(tmp_path):
    printed = set()
    for interpreter in INTERPRETERS:
        path = formatted(tmp_path / f"{interpreter}.img", 17, interpreter)
        printed.add(run(SMALL_FILES.format(path=str(path)), interpreter))
        assert fsck(path) == ""
    assert len(printed) == 1
    assert "6000" in printed.copy().pop()


def test_regions_are_those_of_the_boot_sector(tmp_path):
    """A 64 MiB volume by MicroPython: 1 reserved sector, 1 FAT of 65 sectors, 512 root entries of 32 bytes."""
    card = opened(formatted(tmp_path / "card.img", 64), clock=False)
    regions = [card.layout.region(block) for block in (0, 1, 65, 66, 97, 98, 5000)]
    assert regions == [BOOT, FAT, FAT, DIRECTORY, DIRECTORY, DATA, DATA]


def test_a_partitioned_fat32_card_is_understood(tmp_path):
    """Above 4 GB MicroPython makes a partition table and FAT32; its root directory is a chain of clusters."""
    card = opened(formatted(tmp_path / "card.img", 5000), clock=False)
    layout = card.layout
    assert layout.start > 0
    assert layout.region(layout.start) == BOOT
    assert layout.region(layout._fat_start) == FAT
    assert layout.region(layout._root_end) == DIRECTORY
    assert layout.region(layout._root_end + layout.cluster_blocks) == DATA


def entry(name=b"TD000001LOG", size=0, stamp=b"\x11\x22\x33\x44"):
    data = name + b"\x20\0\0" + stamp + stamp[2:] + b"\0\0" + stamp + b"\2\0" + size.to_bytes(4, "little")
    return data.ljust(BLOCK, b"\0")


def test_files_are_dated_by_the_boards_clock():
    """fatgen103: date word 2021-01-01 = 0x5221; 3 h 25 min 46 s = 0x1B37."""
    seconds = (3 * 60 + 25) * 60 + 46
    first = bytes(stamped(bytes(BLOCK), entry(), seconds))
    assert first[14:18] == first[22:26] == bytes.fromhex("371b2152")
    unchanged = bytes(stamped(first, entry(stamp=b"abcd"), seconds + 100))
    assert unchanged == first
    grown = bytes(stamped(first, entry(size=5, stamp=b"abcd"), seconds + 60))
    assert grown[14:18] == first[14:18]
    assert grown[22:26] == bytes.fromhex("571b2152")
    assert bytes(stamped(first, bytes(BLOCK), 0)) == bytes(BLOCK)


def test_a_card_without_a_volume_is_refused(tmp_path):
    (tmp_path / "card.img").write_bytes(bytes(MEBI))
    with pytest.raises(ValueError, match="no FAT volume"):
        CardLayout(lambda block: bytes(512))
    with pytest.raises(ValueError, match="no FAT volume"):
        opened(tmp_path / "card.img")


def test_writes_cost_milliseconds_and_now_and_then_tens(tmp_path):
    card = opened(formatted(tmp_path / "card.img"), seed=4)
    clock, costs = card._clock, []
    for block in range(2000):
        before = clock.now_us
        card.writeblocks(200 + block, bytes(BLOCK))
        costs.append(clock.now_us - before)
    assert min(costs) >= 3000
    assert sorted(costs)[1000] < 4100
    assert 15 < sum(1 for cost in costs if cost > 10_000) < 80
    assert max(costs) < 250_000


def test_a_block_beyond_the_end_is_refused_and_objected_to(tmp_path):
    card = opened(formatted(tmp_path / "card.img", 17))
    with pytest.raises(OSError):
        card.writeblocks(17 * MEBI // BLOCK, bytes(BLOCK))
    assert len(card._ledger.objections) == 1


def test_a_card_that_is_pulled_fails_every_call(tmp_path):
    card = opened(formatted(tmp_path / "card.img"))
    card.present = False
    with pytest.raises(OSError):
        card.writeblocks(500, bytes(BLOCK))
    with pytest.raises(OSError):
        card.readblocks(500, bytearray(BLOCK))
    card.present = True
    card.writeblocks(500, b"x" * BLOCK)


def test_hooks_see_each_block_and_can_change_refuse_or_cut_it(tmp_path):
    card = opened(formatted(tmp_path / "card.img"))
    card.before_write = lambda block, data: b"torn".ljust(BLOCK, b"-") if block == 501 else None
    card.writeblocks(500, b"a" * BLOCK + b"b" * BLOCK + b"c" * BLOCK)
    assert card._raw_block(500) == b"a" * BLOCK
    assert card._raw_block(501).startswith(b"torn--")
    assert card._raw_block(502) == b"c" * BLOCK

    def refuse(block, data):
        raise OSError(5)

    card.before_write = refuse
    with pytest.raises(OSError):
        card.writeblocks(503, b"d" * BLOCK)
    assert card._raw_block(503) == bytes(BLOCK)
    card.before_write = None
    card.after_write = lambda block: card._clock.end(PowerCut("test"))
    with pytest.raises(PowerCut):
        card.writeblocks(504, b"e" * BLOCK)
    assert card._raw_block(504) == b"e" * BLOCK
    with pytest.raises(PowerCut):
        card.writeblocks(505, b"f" * BLOCK)
    assert card._raw_block(505) == bytes(BLOCK)


def test_a_slow_card_takes_no_longer_for_a_block_than_a_cold_one_does(tmp_path):
    card = opened(formatted(tmp_path / "card.img", 17))
    card.busy_factor = 100
    times_us = [card.busy_us() for _ in range(20000)]
    assert max(times_us) == 2_000_000 and min(times_us) < 125_000
    card.stall_us = 9_000_000  # but the fault that names a time gets it
    assert card.busy_us() == 9_000_000


def test_a_slow_card_takes_longer(tmp_path):
    slow, quick = (opened(formatted(tmp_path / f"{name}.img", 17)) for name in "ab")
    slow.busy_factor = 20
    for card in (slow, quick):
        for block in range(50):
            card.writeblocks(300 + block, bytes(BLOCK))
    assert slow._clock.now_us > 3 * quick._clock.now_us

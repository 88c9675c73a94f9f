"""SD card driver against a strict card at the level of SPI bytes (driver_fake_card.py)."""

import errno

import pytest

from firmware.drivers.sdcard import SDCard
from firmware.drivers.sdcard_codes import capacity_blocks, crc7, crc16
from firmware.status import ABSENT, BUS_FAULT, OK, TIMEOUT
from tests.check_values import check_value
from tests.firmware.driver_fake_card import FakeCard
from tests.interpreters import INTERPRETERS, run

KINDS = ("sdhc", "sdsc2", "sdsc1")


def make(kind="sdhc", **settings):
    card = FakeCard(kind)
    for name, value in settings.items():
        setattr(card, name, value)
    return card, SDCard(card, card.cs, card.ticks_ms, card.sleep_ms)


def block_of(seed):
    return bytes((seed * 31 + i * 7) & 0xFF for i in range(512))


def test_check_sums_are_those_of_the_specification():
    commands = check_value("crc.sd.cmd")
    for frame, last in zip(commands["inputs"]["frames"], commands["expected"]["last_byte"], strict=True):
        assert crc7(bytes.fromhex(frame), 5) == int(last, 16)
    assert crc16(b"\xff" * 512) == int(check_value("crc.sd.data")["expected"]["crc"], 16)
    assert crc16(bytes(512)) == 0
    assert crc16(b"123456789") == 0x31C3  # CRC-16/XMODEM, catalogue of parametrised CRC algorithms


@pytest.mark.parametrize("kind", KINDS)
def test_blocks_come_back_as_they_were_written(kind):
    card, sd = make(kind)
    assert sd.begin() == OK
    assert sd.blocks == 4096
    assert sd.ioctl(4, 0) == 4096
    assert sd.ioctl(5, 0) == 512
    for number in (0, 1, 4095):
        sd.writeblocks(number, block_of(number))
    for number in (0, 1, 4095):
        buf = bytearray(512)
        sd.readblocks(number, buf)
        assert buf == block_of(number)
        assert card.memory[number] == block_of(number)


@pytest.mark.parametrize("kind", KINDS)
def test_several_blocks_are_moved_by_one_command(kind):
    card, sd = make(kind)
    sd.begin()
    data = b"".join(block_of(number) for number in range(5))
    card.log.clear()
    sd.writeblocks(10, data)
    buf = bytearray(len(data))
    sd.readblocks(10, buf)
    assert buf == data
    assert [card.memory[10 + k] for k in range(5)] == [block_of(k) for k in range(5)]
    assert card.log == [25, 13, 18, 12]


def test_the_watchdog_is_fed_before_each_try():
    card = FakeCard("sdhc")
    fed = []
    sd = SDCard(card, card.cs, card.ticks_ms, card.sleep_ms, feed=lambda: fed.append(len(card.log)))
    sd.begin()
    card.corrupt_reads = 2
    sd.readblocks(7, bytearray(512))
    sd.writeblocks(7, block_of(7))
    assert len(fed) == len(set(fed)) == 4


def test_crc_is_switched_on_before_anything_else_is_asked():
    card, sd = make()
    sd.begin()
    assert card.crc_on
    assert card.log.index(59) < card.log.index(9)


@pytest.mark.parametrize("trouble", ["corrupt_reads", "error_token", "command_crc_error"])
def test_a_read_that_failed_is_tried_again(trouble):
    card, sd = make()
    sd.begin()
    sd.writeblocks(7, block_of(7))
    setattr(card, trouble, 2)
    buf = bytearray(512)
    sd.readblocks(7, buf)
    assert buf == block_of(7)
    assert sd.errors == 2


@pytest.mark.parametrize("trouble", ["refuse_crc", "write_error", "status_error", "command_crc_error"])
def test_a_write_that_failed_is_tried_again(trouble):
    card, sd = make()
    sd.begin()
    card.log.clear()
    setattr(card, trouble, 2)
    sd.writeblocks(7, block_of(7))
    assert card.memory[7] == block_of(7)
    assert sd.errors == 2
    assert 0 not in card.log  # neither a hurt byte nor a card that says no is a reason to start afresh


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("trouble", ["refuse_crc", "write_error", "status_error"])
def test_a_write_that_keeps_failing_is_an_error_and_never_silent(trouble, count):
    card, sd = make()
    sd.begin()
    setattr(card, trouble, 1000)
    with pytest.raises(OSError) as failure:
        sd.writeblocks(7, b"".join(block_of(k) for k in range(count)))
    assert failure.value.args[0] == errno.EIO
    assert sd.status != OK
    setattr(card, trouble, 0)
    sd.writeblocks(7, block_of(1))
    assert card.memory[7] == block_of(1)
    assert sd.status == OK


@pytest.mark.parametrize("count", [1, 3])
@pytest.mark.parametrize("trouble", ["corrupt_reads", "error_token"])
def test_a_read_that_keeps_failing_is_an_error(trouble, count):
    card, sd = make()
    sd.begin()
    setattr(card, trouble, 1000)
    with pytest.raises(OSError) as failure:
        sd.readblocks(7, bytearray(512 * count))
    assert failure.value.args[0] == errno.EIO
    setattr(card, trouble, 0)
    sd.readblocks(7, bytearray(512 * count))


def test_a_card_that_stays_busy_is_given_up_in_time():
    card, sd = make()
    sd.begin()
    card.busy_forever = True
    before_ms = card.now_ms
    with pytest.raises(OSError) as failure:
        sd.writeblocks(7, block_of(7))
    assert failure.value.args[0] in (errno.ETIMEDOUT, errno.EIO)
    assert card.now_ms - before_ms < 4000  # well within a watchdog of 8 s


def test_a_card_that_never_sends_its_data_is_given_up_in_time():
    card, sd = make(never_answers_data=True)
    sd.begin()
    before_ms = card.now_ms
    with pytest.raises(OSError) as failure:
        sd.readblocks(7, bytearray(512))
    assert failure.value.args[0] == errno.ETIMEDOUT
    assert card.now_ms - before_ms < 1500


def test_a_missing_card_is_absent_and_found_when_it_comes():
    card, sd = make(present=False)
    assert sd.begin() == ABSENT
    with pytest.raises(OSError) as failure:
        sd.readblocks(0, bytearray(512))
    assert failure.value.args[0] == errno.ENODEV
    card.present = True
    sd.readblocks(0, bytearray(512))
    assert sd.status == OK


def test_a_card_pulled_out_and_put_back_is_initialised_again():
    card, sd = make()
    sd.begin()
    card.present = False
    with pytest.raises(OSError):
        sd.writeblocks(3, block_of(3))
    card.present = True
    card.power_up()
    card.hz = 10000000
    sd.writeblocks(3, block_of(3))
    assert card.memory[3] == block_of(3)


def test_a_line_held_low_is_no_card():
    card, sd = make(stuck_low=True)
    before_ms = card.now_ms
    assert sd.begin() == BUS_FAULT
    assert card.now_ms - before_ms < 1000


def test_a_card_that_never_gets_ready_is_a_timeout():
    card, sd = make()
    card._cmd0_plain = card._cmd0

    def never(argument):
        card._cmd0_plain(argument)
        card.initialising = 10**9

    card._cmd0 = never
    assert sd.begin() == TIMEOUT
    assert card.now_ms < 3000


@pytest.mark.parametrize(
    ("block", "size", "offset"), [(0, 100, 0), (0, 512, 4), (-1, 512, 0), (4096, 512, 0), (0, 0, 0)]
)
def test_what_is_no_whole_block_of_the_card_is_refused_aloud(block, size, offset):
    _, sd = make()
    sd.begin()
    for call in (sd.readblocks, sd.writeblocks):
        with pytest.raises(OSError) as failure:
            call(block, bytearray(size), offset)
        assert failure.value.args[0] == errno.EINVAL


def test_capacity_of_an_unknown_structure_is_none():
    assert capacity_blocks(bytes([0xC0]) + bytes(15)) == 0


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_moving_one_block_allocates_nothing(interpreter):
    out = run(
        """
try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    def heap_lock(): pass
    heap_unlock = heap_lock
from firmware.drivers.sdcard import SDCard

class Bus:  # says what a card would, from a script made beforehand
    def __init__(self):
        self.script = bytearray(4000)
        self.at = 0
        self.end = 0
    def init(self, baudrate): pass
    def write(self, buf): pass
    def readinto(self, buf, write=0):
        for i in range(len(buf)):
            buf[i] = self.script[self.at] if self.at < self.end else 0xFF
            self.at += 1
    def play(self, data):
        self.script[:len(data)] = data
        self.at = 0
        self.end = len(data)

def cs(value): pass
def ticks(): return 0

bus = Bus()
sd = SDCard(bus, cs, ticks, None)
sd._ready = True
sd._addressed_by_block = True
sd.blocks = 100
block = bytearray(512)
# write: release, not busy, R1 of CMD24, gap, response, two busy bytes, end; release, not busy, R1 and status of CMD13
write = bytes([0xFF, 0xFF, 0x00, 0xFF, 0xE5, 0, 0, 0xFF, 0xFF, 0xFF, 0x00, 0x00])
read = bytes([0xFF, 0xFF, 0x00, 0xFF, 0xFE]) + bytes(514)
def go(data, call):
    bus.play(data)
    heap_lock()
    try:
        call(5, block)
    finally:
        heap_unlock()
go(write, sd.writeblocks)
go(read, sd.readblocks)
print(sd.status, sd.errors)
""",
        interpreter,
    )
    assert out.split() == ["0", "0"]

"""The virtual SD card at its SPI bytes, read by the firmware's own driver, and its strictness byte by byte."""

import pytest

from firmware.drivers.sdcard import SDCard
from firmware.status import ABSENT, OK
from ground.simulator.board.clock import PowerCut
from ground.simulator.board.spi_card_codes import crc16, csd, last_byte
from tests.check_values import check_value
from tests.simulator.spi_bench import SpiBench

KINDS = ("sdhc", "sdsc", "sdsc1")


def block_of(seed):
    return bytes((seed * 31 + i * 7) & 0xFF for i in range(512))


@pytest.fixture(params=KINDS)
def bench(request, tmp_path):
    return SpiBench(tmp_path, request.param)


@pytest.fixture
def sdhc(tmp_path):
    return SpiBench(tmp_path)


def driver(bench, hz=12_000_000):
    return SDCard(bench.spi, bench.cs, bench.clock.ticks_ms, bench.clock.sleep_ms, hz)


def begun(bench):
    card = driver(bench)
    assert card.begin() == OK
    return card


def say(bench, *frame, answer=8):
    """Send a raw command with its right check sum and give back the bytes that follow."""
    bench.cs(0)
    bench.spi.write(bytes(frame) + bytes([last_byte(bytes(frame))]))
    buf = bytearray(answer)
    bench.spi.readinto(buf, 0xFF)
    bench.cs(1)
    return bytes(buf)


def woken(bench):
    """74 clocks and CMD0."""
    bench.spi.write(b"\xff" * 10)
    return say(bench, 0x40, 0, 0, 0, 0)


def test_check_sums_are_those_of_the_specification():
    commands = check_value("crc.sd.cmd")
    for frame, last in zip(commands["inputs"]["frames"], commands["expected"]["last_byte"], strict=True):
        assert last_byte(bytes.fromhex(frame)) == int(last, 16)
    assert crc16(b"\xff" * 512) == int(check_value("crc.sd.data")["expected"]["crc"], 16)
    assert crc16(b"123456789") == 0x31C3  # CRC-16/XMODEM, catalogue of parametrised CRC algorithms


@pytest.mark.parametrize(("blocks", "high"), [(1024, True), (8192, True), (1 << 28, True), (512, False), (8192, False),
                                              (4 << 20, False)])  # fmt: skip
def test_the_capacity_is_said_as_the_specification_reads_it(blocks, high):
    """5.3.2 and 5.3.3: the formulas of the standard, on the register's bits by number."""
    number = int.from_bytes(csd(blocks, high), "big")

    def bits(top, low):
        return number >> low & ((1 << top - low + 1) - 1)

    if high:
        assert bits(127, 126) == 1 and (bits(69, 48) + 1) * 1024 == blocks
    else:
        size, multiplier, length = bits(73, 62), bits(49, 47), bits(83, 80)
        assert bits(127, 126) == 0 and (size + 1) * 2 ** (multiplier + 2) * 2**length == blocks * 512
    assert bits(0, 0) == 1


def test_blocks_come_back_as_they_were_written(bench):
    card = begun(bench)
    assert card.blocks == 8192
    for number in (0, 1, 4095, 8191):
        card.writeblocks(number, block_of(number))
    for number in (0, 1, 4095, 8191):
        buf = bytearray(512)
        card.readblocks(number, buf)
        assert buf == block_of(number) == bench.block(number)
    many = b"".join(block_of(number) for number in range(7))
    card.writeblocks(20, many)
    buf = bytearray(len(many))
    card.readblocks(20, buf)
    assert buf == many
    assert bench.objections == []


def test_time_passes_with_the_clock_and_with_the_card(sdhc):
    card = begun(sdhc)
    begin_us = sdhc.clock.now_us
    card.writeblocks(5, block_of(5))
    took_us = sdhc.clock.now_us - begin_us
    assert 512 * 8 / 12 + 200 < took_us < 12_000  # the bytes at 12 MHz, and what the card programs
    sdhc.store.busy_factor = 100
    begin_us = sdhc.clock.now_us
    card.writeblocks(6, block_of(6))
    assert sdhc.clock.now_us - begin_us > 20_000


def test_a_card_that_stays_busy_is_given_up_and_used_again_later(sdhc):
    card = begun(sdhc)
    sdhc.store.busy_factor = 1_000_000
    with pytest.raises(OSError):
        card.writeblocks(5, block_of(5))
    sdhc.store.busy_factor = 1
    sdhc.clock.advance(3_600_000_000)
    card.writeblocks(6, block_of(6))
    assert sdhc.block(6) == block_of(6)


@pytest.mark.parametrize("kind", ["read", "write"])
def test_flipped_bits_are_noticed_and_what_is_told_to_be_done_is_done(tmp_path, kind):
    bench = SpiBench(tmp_path)
    card = begun(bench)
    for number in range(40):
        card.writeblocks(number, block_of(number))
    bench.card.flip_odds = 2000
    done = failed = 0
    for number in range(40):
        buf = bytearray(512)
        try:
            if kind == "read":
                card.readblocks(number, buf)
            else:
                card.writeblocks(number, block_of(number + 1))
        except OSError:
            failed += 1
            continue
        done += 1
        assert kind == "write" or buf == block_of(number)
        assert kind == "read" or bench.block(number) == block_of(number + 1)
    assert card.errors > 5 and done > 20, (card.errors, done, failed)
    bench.card.flip_odds = 0
    card.readblocks(3, bytearray(512))


def test_a_refused_block_is_an_error_and_never_silence(bench):
    card = begun(bench)
    card.writeblocks(9, block_of(1))
    bench.store.refuses = True
    with pytest.raises(OSError):
        card.writeblocks(9, block_of(2))
    with pytest.raises(OSError):
        card.writeblocks(9, block_of(2) + block_of(3))
    bench.store.refuses = False
    assert bench.block(9) == block_of(1)
    card.writeblocks(9, block_of(2))
    assert bench.block(9) == block_of(2)


def test_a_programming_error_that_only_the_status_tells_is_noticed(sdhc):
    card = begun(sdhc)
    sdhc.card.status_errors = 1
    card.writeblocks(4, block_of(4))
    assert card.errors == 1
    sdhc.card.status_errors = 10
    with pytest.raises(OSError):
        card.writeblocks(4, block_of(5))


def test_a_card_that_is_pulled_is_absent_and_one_put_back_has_to_be_begun_again(bench):
    card = begun(bench)
    bench.store.remove()
    with pytest.raises(OSError):
        card.writeblocks(2, block_of(2))
    bench.store.put_back()
    card.writeblocks(1, block_of(1))  # begun again without being told
    bench.store.remove()
    assert card.begin() == ABSENT
    bench.store.put_back()
    card.writeblocks(2, block_of(2))
    assert bench.block(2) == block_of(2)
    assert bench.objections == []


def test_a_card_put_in_while_the_host_asks_for_one_is_no_objection_and_a_careless_host_later_is(bench):
    card = begun(bench)
    bench.store.remove()
    bench.clock.advance(1_000_000)
    bench.store.put_back()
    bench.cs(0)
    bench.spi.write(b"\x40\x00\x00\x00\x00\x95")  # CMD0 of a host whose 74 clocks nobody heard
    bench.cs(1)
    assert bench.objections == []
    bench.store.put_back()
    bench.clock.advance(1_000_000)
    bench.cs(0)
    bench.spi.write(b"\x40\x00\x00\x00\x00\x95")
    bench.cs(1)
    assert bench.objections[0].startswith("CMD0 after 0 clocks")
    assert card.begin() == OK


def test_a_power_cut_in_a_write_leaves_the_blocks_before_it(sdhc):
    card = begun(sdhc)
    card.writeblocks(0, block_of(0))

    def cut(block):
        if block == 2:
            sdhc.clock.end(PowerCut("here"))

    sdhc.store.after_write = cut
    with pytest.raises(PowerCut):
        card.writeblocks(1, b"".join(block_of(number) for number in (1, 2, 3)))
    assert [sdhc.block(number) == block_of(number) for number in range(4)] == [True, True, True, False]


# --- strict ----------------------------------------------------------------------------------------------------------


def test_a_first_command_without_74_clocks_is_objected_to(sdhc):
    assert say(sdhc, 0x40, 0, 0, 0, 0)[1] == 0x01
    assert any("74" in what for what in sdhc.objections)


def test_identification_above_400_khz_is_objected_to(sdhc):
    sdhc.spi.init(baudrate=10_000_000)
    woken(sdhc)
    assert any("10000000 Hz" in what for what in sdhc.objections)


def test_nothing_but_cmd0_wakes_the_card(sdhc):
    sdhc.spi.write(b"\xff" * 10)
    assert say(sdhc, 0x48, 0, 0, 1, 0xAA) == b"\xff" * 8
    assert woken(sdhc)[1] == 0x01


def test_a_command_with_a_wrong_check_sum_is_refused(sdhc):
    woken(sdhc)
    sdhc.cs(0)
    sdhc.spi.write(bytes((0x48, 0, 0, 1, 0xAA, 0x01)))
    buf = bytearray(3)
    sdhc.spi.readinto(buf, 0xFF)
    assert buf[1] == 0x09  # CRC error, idle
    assert any("check sum" in what for what in sdhc.objections)


def test_a_version_1_card_knows_no_cmd8(tmp_path):
    bench = SpiBench(tmp_path, "sdsc1")
    woken(bench)
    assert say(bench, 0x48, 0, 0, 1, 0xAA)[1] == 0x05


def test_a_high_capacity_card_never_gets_ready_for_a_host_that_does_not_know_such(sdhc):
    woken(sdhc)
    say(sdhc, 0x48, 0, 0, 1, 0xAA)
    for _ in range(50):
        sdhc.clock.advance(100_000)
        say(sdhc, 0x77, 0, 0, 0, 0)
        assert say(sdhc, 0x69, 0, 0, 0, 0)[1] == 0x01


def test_reading_and_writing_before_the_card_is_ready_are_illegal(sdhc):
    woken(sdhc)
    for command in (0x51, 0x58, 0x52, 0x59):
        assert say(sdhc, command, 0, 0, 0, 0)[1] == 0x05


def test_addresses_beyond_the_end_and_between_blocks_are_errors(tmp_path):
    for kind, argument, answer in (("sdhc", 8192, 0x40), ("sdsc", 8192 * 512, 0x40), ("sdsc", 100, 0x20)):
        bench = SpiBench(tmp_path, kind)
        begun(bench)
        assert say(bench, 0x51, *argument.to_bytes(4, "big"))[1] == answer
        assert bench.objections


def test_both_identity_registers_carry_their_check_sums(sdhc):
    begun(sdhc)
    for command in (0x49, 0x4A):
        data = say(sdhc, command, 0, 0, 0, 0, answer=2)
        assert data[1] == 0
        sdhc.cs(0)
        sdhc.spi.write(bytes((command, 0, 0, 0, 0, last_byte(bytes((command, 0, 0, 0, 0))))))
        sdhc.clock.advance(1000)
        buf = bytearray(2 + 1 + 16 + 2)
        sdhc.spi.readinto(buf, 0xFF)
        sdhc.cs(1)
        assert buf[2] == 0xFE and crc16(buf[3:19]) == buf[19] << 8 | buf[20]


def test_letting_go_in_the_middle_of_a_block_is_objected_to_and_writes_nothing(sdhc):
    begun(sdhc)
    sdhc.cs(0)
    sdhc.spi.write(bytes((0x58, 0, 0, 0, 7, last_byte(bytes((0x58, 0, 0, 0, 7))))))
    sdhc.spi.readinto(bytearray(4), 0xFF)
    sdhc.spi.write(b"\xfe" + b"x" * 100)
    sdhc.cs(1)
    assert any("middle of a block" in what for what in sdhc.objections)
    assert sdhc.block(7) == bytes(512)

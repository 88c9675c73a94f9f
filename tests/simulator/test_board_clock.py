"""World time: alarms, endings, ticks that wrap, a watchdog that bites, a serial line that takes its time."""

from itertools import pairwise

import pytest

from ground.simulator.board.clock import (
    TICKS_PERIOD,
    Clock,
    Ending,
    PowerCut,
    WatchdogReset,
    ticks_add,
    ticks_diff,
)
from ground.simulator.board.ledger import Ledger
from ground.simulator.board.noise import Noise
from ground.simulator.board.uart import Line, heard_at_wrong_rate
from ground.simulator.board.watchdog import WDT
from ground.simulator.board.world_rows import WorldRows
from tests.interpreters import INTERPRETERS, run
from tests.simulator.bench import ChipBench


def test_alarms_sound_in_the_order_of_their_moments():
    clock, heard = Clock(), []
    for moment in (500, 100, 300):
        clock.at(moment, lambda moment=moment: heard.append((moment, clock.now_us)))
    clock.advance(250)
    assert heard == [(100, 100)]
    clock.sleep_ms(1)
    assert heard == [(100, 100), (300, 300), (500, 500)]
    assert clock.now_us == 1250


def test_an_ended_boot_stays_ended():
    clock = Clock()
    clock.at(1000, lambda: clock.end(PowerCut("now")))
    with pytest.raises(PowerCut):
        clock.sleep_ms(5)
    assert clock.now_us == 1000
    for call in (lambda: clock.sleep_ms(1), clock.ticks_ms, lambda: clock.sleep_us(0)):
        with pytest.raises(PowerCut):
            call()


def test_an_ending_is_no_exception_a_firmware_could_catch():
    assert not issubclass(Ending, Exception)


def test_ticks_start_where_told_and_wrap_at_2_to_the_30():
    clock = Clock(5_000_000, ticks_start_ms=TICKS_PERIOD - 2)
    before = clock.ticks_ms()
    assert before == TICKS_PERIOD - 2
    clock.sleep_ms(5)
    after = clock.ticks_ms()
    assert after == 3
    assert ticks_diff(after, before) == 5
    assert ticks_add(before, 5) == after
    assert ticks_diff(before, after) == -5


def test_a_busy_wait_comes_to_an_end():
    clock = Clock()
    start = clock.ticks_ms()
    while ticks_diff(clock.ticks_ms(), start) < 20:
        pass
    assert 20_000 <= clock.now_us <= 21_100


def test_real_time_clock_starts_at_2021_in_every_boot():
    clock = Clock(7_200_000_000)
    clock.sleep(2.5)
    assert clock.time() == 1609459202
    assert clock.time_ns() == 1609459202_500_000_000


def watched(timeout_ms=1000):
    WDT.clock = Clock()
    WDT.ledger = Ledger(WDT.clock)
    return WDT.clock, WDT(timeout=timeout_ms)


def test_a_fed_watchdog_is_quiet_and_an_unfed_one_resets():
    clock, watchdog = watched()
    for _ in range(10):
        clock.sleep_ms(900)
        watchdog.feed()
    with pytest.raises(WatchdogReset):
        clock.sleep_ms(5000)
    assert clock.now_us == 10_000_000
    assert watchdog.longest_us == 1_000_000


def test_the_longest_time_between_feeds_is_kept():
    clock, watchdog = watched()
    for wait_ms in (100, 700, 300):
        clock.sleep_ms(wait_ms)
        watchdog.feed()
    assert watchdog.longest_us == 700_000


@pytest.mark.parametrize("timeout_ms", [0, 8389])
def test_a_watchdog_time_the_board_cannot_do_is_refused(timeout_ms):
    with pytest.raises(ValueError):
        watched(timeout_ms)


def test_bytes_arrive_one_by_one_at_the_lines_rate():
    line = Line(9600)
    line.say(bytes(96), 1000)
    assert line.take(1000) == []
    assert sum(len(data) for data, _ in line.take(1000 + 50_000)) == 48
    assert sum(len(data) for data, _ in line.take(1000 + 99_000)) == 47
    assert sum(len(data) for data, _ in line.take(1000 + 100_000)) == 1


def test_a_second_message_waits_for_the_first():
    line = Line(9600)
    assert line.say(bytes(96), 0) == pytest.approx(100_000, abs=2)
    assert line.say(bytes(96), 50_000) == pytest.approx(200_000, abs=4)


def test_a_wrong_rate_garbles_every_byte_repeatably():
    sent = b"$GNRMC,041000.00,A" * 4
    heard = heard_at_wrong_rate(sent, 9600, 38400)
    assert heard == heard_at_wrong_rate(sent, 9600, 38400)
    assert b"$GN" not in heard
    assert b"GNRMC" not in heard_at_wrong_rate(sent, 38400, 9600)
    assert len(heard_at_wrong_rate(sent, 38400, 9600)) == len(sent) // 4


def test_a_bus_of_other_pins_is_empty():
    from ground.simulator.board.i2c import I2C

    bench = ChipBench()
    bench.i2c({})
    with pytest.raises(OSError) as caught:
        I2C(0, sda=6, scl=7).readfrom(0x77, 1)
    assert caught.value.args[0] == 5


def test_a_bus_held_down_times_out():
    bench = ChipBench()
    i2c = bench.i2c({})
    i2c._wires.held_low = True
    before_us = bench.clock.now_us
    with pytest.raises(OSError) as caught:
        i2c.writeto(0x40, b"\0")
    assert caught.value.args[0] == 110
    assert bench.clock.now_us - before_us == 50_000


def test_an_i2c_transfer_takes_nine_clocks_a_byte_and_the_boards_own_time():
    """board_budget: 8 bytes from a register at 400 kHz take 338 us on the board."""

    class Silent:
        def write(self, data):
            pass

        def read_into(self, buf):
            pass

    bench = ChipBench()
    i2c = bench.i2c({0x10: Silent()})
    before_us = bench.clock.now_us
    i2c.readfrom_mem_into(0x10, 0, bytearray(8))
    assert bench.clock.now_us - before_us == pytest.approx(338, rel=0.15)


ROWS = """
from array import array
table = array('d', [float(column * 1000 + row) for row in range(1000) for column in range(3)])
with open({path!r}, 'wb') as file:
    file.write(table)
from ground.simulator.board.world_rows import WorldRows
rows = WorldRows({path!r}, ['a', 'b', 'c'], 200000, 1000)
b = rows.column('b')
print([rows.at(b, us) for us in (0, 100000, 200000, 99900000, 198999999, 199800000, 500000000, 90000000, 0)])
try:
    rows.column('d')
except KeyError as error:
    print('a, b, c' in str(error))
"""


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_rows_are_interpolated_and_the_last_one_lasts(interpreter, tmp_path):
    printed = run(ROWS.format(path=str(tmp_path / "rows.f64")), interpreter).splitlines()
    values = [float(text) for text in printed[0].strip("[]").split(",")]
    expected = [1000.0, 1000.5, 1001.0, 1499.5, 1994.999995, 1999.0, 1999.0, 1450.0, 1000.0]
    assert values == pytest.approx(expected, abs=1e-9)
    assert printed[1] == "True"


def test_rows_that_end_early_are_noticed(tmp_path):
    (tmp_path / "rows.f64").write_bytes(bytes(8 * 10))
    with pytest.raises(OSError, match="ends early"):
        WorldRows(str(tmp_path / "rows.f64"), ["a"], 200000, 11)


CHANCE = """
from ground.simulator.board.noise import Noise
noise = Noise(7, 'x')
print([noise.bits32() for _ in range(5)], noise.bytes(4), ['%.9f' % noise.gauss() for _ in range(5)])
"""


def test_both_interpreters_draw_the_same_numbers():
    assert len({run(CHANCE, interpreter) for interpreter in INTERPRETERS}) == 1


def test_noise_is_normal_and_streams_are_independent():
    first, second = Noise(1, "a"), Noise(1, "b")
    a, b = [first.gauss() for _ in range(20_000)], [second.gauss() for _ in range(20_000)]
    mean = sum(a) / len(a)
    deviation = (sum((x - mean) ** 2 for x in a) / len(a)) ** 0.5
    assert abs(mean) < 0.03
    assert deviation == pytest.approx(1.0, abs=0.03)
    assert sum(1 for x in a if abs(x) > 1.96) / len(a) == pytest.approx(0.05, abs=0.012)
    assert abs(sum(x * y for x, y in zip(a, b, strict=True)) / len(a)) < 0.03
    lag_1 = sum(x * y for x, y in pairwise(a)) / len(a)
    assert abs(lag_1) < 0.03

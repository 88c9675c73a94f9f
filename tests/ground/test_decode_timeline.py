"""One UTC line: what the receiver says against the board's clock, whatever nonsense the receiver says in between."""

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.decode.course import timeline
from ground.decode.frames.records import BootFrames
from shared_protocol.records import BOOT, FIX, PRESSURE
from tests.ground.log_maker import LogMaker, fix_values

BEGIN = 1_937_640_600_000
rng = np.random.default_rng(20310527)


def epochs(count=3600, ppm=0.0, late_ms=180, jitter_ms=40, begin=BEGIN):
    """t_ms and utc_ms of fixes, one a second, of a board whose crystal is `ppm` slow."""
    utc = begin + 1000 * np.arange(count)
    t = (utc - begin) / (1 + ppm * 1e-6) + late_ms + rng.uniform(-jitter_ms, jitter_ms, count)
    return np.round(t).astype(np.int64), utc


def error_ms(line, ppm=0.0, begin=BEGIN, late_ms=180, span_ms=3_600_000):
    """Largest error of the line over its span, apart from the lateness that no fit can see."""
    t = np.linspace(0, span_ms, 50)
    return np.abs(line.at(t + late_ms) - (begin + t * (1 + ppm * 1e-6))).max()


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 35.0, 150.0])
def test_crystal_that_runs_fast_or_slow_is_followed(ppm):
    line = timeline.fit(*epochs(ppm=ppm))
    assert error_ms(line, ppm) < 60
    assert line.basis == "gps" and line.uncertainty_ms < 700


def test_few_wrong_epochs_do_not_move_the_line():
    t, utc = epochs()
    wrong = rng.choice(len(t), 1200, replace=False)
    utc[wrong] += rng.integers(-(10**10), 10**10, len(wrong))
    assert error_ms(timeline.fit(t, utc)) < 100


def test_date_that_is_1024_weeks_off_at_the_start_does_not_move_the_line():
    t, utc = epochs()
    utc[:900] -= 1024 * 7 * 86_400_000
    assert error_ms(timeline.fit(t, utc)) < 60


def test_jump_when_leap_seconds_arrive_is_settled_by_the_majority():
    t, utc = epochs()
    utc[:700] += 2000
    assert error_ms(timeline.fit(t, utc)) < 60


def test_stream_whose_clock_starts_over_is_anchored_and_said_to_disagree():
    t, utc = epochs(600)
    utc = BEGIN + 200 * np.arange(600)  # five epochs a second, played one a second
    line = timeline.fit(t, utc)
    assert line.basis == "gps, clock disagrees" and line.rate == 1.0
    assert line.uncertainty_ms > 10_000


def test_rate_that_no_crystal_has_is_not_taken_for_one():
    line = timeline.fit(*epochs(ppm=1000.0))
    assert line.rate == 1.0 and line.uncertainty_ms > 1500


def test_single_fix_gives_an_offset_and_no_rate():
    line = timeline.fit(np.array([5000]), np.array([BEGIN + 5000]))
    assert line.rate == 1.0 and line.at(0) == BEGIN
    assert timeline.fit(np.array([], dtype=np.int64), np.array([], dtype=np.int64)) is None


def boot(number, last_ms, first_ms=0):
    return BootFrames(number, 1, number, 100, 0, 0, first_ms, last_ms, 0, 0)


def line(begin, uncertainty=500.0, points=100):
    return timeline.Line(float(begin), 1.0, uncertainty, "gps", points)


def test_boot_without_gps_time_is_placed_between_its_neighbours():
    boots = [boot(1, 100_000), boot(2, 20_000), boot(3, 100_000)]
    lines, notes = timeline.join(boots, [line(BEGIN), None, line(BEGIN + 130_000)], [1, 1, 1])
    assert lines[1].at(0) == BEGIN + 105_000 and lines[1].uncertainty_ms == pytest.approx(5500)
    assert "between neighbours" in notes[0]


def test_boot_that_nothing_bounds_has_no_utc_and_it_is_said():
    lines, notes = timeline.join([boot(1, 100_000), boot(2, 20_000)], [line(BEGIN), None], [1, 1])
    assert lines[1] is None and "no utc" in notes[0]
    lines, _notes = timeline.join(
        [boot(1, 100), boot(2, 100), boot(3, 100)], [line(BEGIN), None, line(BEGIN + 10**8)], [1, 1, 1]
    )
    assert lines[1] is None


def test_restart_without_loss_of_power_follows_at_once():
    lines, notes = timeline.join([boot(1, 100_000), boot(2, 20_000)], [line(BEGIN), None], [1, 2])
    assert lines[1].at(0) == BEGIN + 103_000 and "after the boot before" in notes[0]


def test_utc_rises_strictly_from_boot_to_boot():
    boots = [boot(1, 100_000), boot(2, 50_000)]
    lines, notes = timeline.join(boots, [line(BEGIN), line(BEGIN + 99_700)], [1, 1])
    assert lines[1].at(0) == lines[0].at(100_000) + 1 and "moved 0.3 s later" in notes[0]


def test_boot_whose_time_contradicts_a_better_known_one_is_not_believed():
    boots = [boot(1, 100_000), boot(2, 50_000)]
    lines, notes = timeline.join(boots, [line(BEGIN, points=900), line(BEGIN - 10**9, points=3)], [1, 2])
    assert "contradicts" in notes[0] and lines[1].at(0) == BEGIN + 103_000


def test_decoded_tables_keep_what_the_receiver_said_and_null_what_is_unknown(tmp_path):
    log = LogMaker()
    log.boot(1)
    for second in range(40):
        said = BEGIN + 1000 * second - (500_000 if second in (10, 11) else 0)
        log.add(FIX, 1000 * second + 50, *fix_values(said, 51.0, 7.0, 200.0))
        log.add(PRESSURE, 1000 * second + 60, 0, 0, 9085466, 8569150)
    log.boot(2)
    log.add(BOOT, 5, 0x0100, 1, 0, 0, 9, b"b")
    log.add(PRESSURE, 60, 0, 0, 9085466, 8569150)
    (tmp_path / "TD000001.LOG").write_bytes(log.data())
    result = decode(tmp_path / "TD000001.LOG", tmp_path / "out")
    fix = pq.read_table(tmp_path / "out/tables/fix.parquet").to_pydict()
    assert fix["gnss_utc"][10] == "2031-05-27T09:21:50.000Z"
    assert fix["utc"][10] == "2031-05-27T09:30:10.000Z"
    assert fix["utc"] == sorted(set(fix["utc"]))
    pressure = pq.read_table(tmp_path / "out/tables/pressure.parquet").to_pydict()
    assert pressure["utc"][-1] is None and pressure["boot"][-1] == 2
    assert result.integrity["boots"][1]["first_utc"] is None
    assert result.integrity["boots"][0]["utc_uncertainty_ms"] < 1000
    assert any("boot 2" in note for note in result.integrity["notes"])

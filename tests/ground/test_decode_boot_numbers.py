"""Boots whose numbers are not as the firmware gives them: falling, or one number twice."""

import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from tests.ground.log_maker import LAUNCH_UTC_MS, LogMaker, flight_profile, log_flight

PROFILE = flight_profile(top_m=800.0)
SECONDS = 120


def boots(*numbers, gnss=None, apart_s=300, log=None, utc_ms=LAUNCH_UTC_MS):
    log = log or LogMaker(log_id=9)
    for n, number in enumerate(numbers):
        begin_ms = utc_ms + n * apart_s * 1000
        log_flight(log, PROFILE, ((number, 0, SECONDS),), seed=n, utc_ms=begin_ms, gnss=not gnss or gnss[n])
    return log


def decoded(folder, log):
    (folder / "TD000001.LOG").write_bytes(log.data())
    return decode(folder / "TD000001.LOG", folder / "out").integrity


@pytest.mark.parametrize(("numbers", "gnss"), [((9, 3), None), ((9, 10, 3), (True, False, True)), ((3, 9), None)])
def test_boots_stand_in_the_order_in_which_the_log_has_them_and_all_have_utc(tmp_path, numbers, gnss):
    account = decoded(tmp_path, boots(*numbers, gnss=gnss))
    assert [boot["boot"] for boot in account["boots"]] == list(numbers)
    begins = [boot["first_utc"] for boot in account["boots"]]
    assert None not in begins and begins == sorted(begins)
    table = pq.read_table(tmp_path / "out" / "tables" / "pressure.parquet").to_pydict()
    assert None not in table["utc"] and table["utc"] == sorted(table["utc"])


def test_boots_stay_in_the_order_of_their_numbers_where_no_clock_contradicts_it(tmp_path):
    """Sectors swapped on the card: the places say something else, and nothing says that the numbers are wrong."""
    account = decoded(tmp_path, boots(9, 3, gnss=(False, False)))
    assert [boot["boot"] for boot in account["boots"]] == [3, 9]


def test_records_that_two_boards_wrote_under_one_number_are_told_and_each_source_gives_its_own(tmp_path):
    """A card that was copied before the flight, for a second box."""
    cards = [boots(4), boots(4, utc_ms=LAUNCH_UTC_MS + 1000)]
    paths = [tmp_path / "a.log", tmp_path / "b.log"]
    for path, card in zip(paths, cards, strict=True):
        path.write_bytes(card.data())
    both = {frame[:4]: frame[4] for frame in cards[0].frames}
    differ = sum(both.get(frame[:4], frame[4]) != frame[4] for frame in cards[1].frames)
    assert differ >= SECONDS  # each fix says another time
    notes = decode(paths, tmp_path / "out").integrity["notes"]
    assert any(note.startswith(f"boot 4: {differ} records have number and time of another one") for note in notes)
    for n, path in enumerate(paths):
        account = decode(path, tmp_path / f"out{n}").integrity
        assert account["frames_ok"] == len(cards[n].frames)
        assert not any("say something else" in note for note in account["notes"])

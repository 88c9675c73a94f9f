"""A whole bench session with the simulated board, through a real pseudo-terminal and pyserial."""

import json
import time

import numpy as np
import pytest

from ground.bench.link import open_board
from ground.decode.frames.records import read
from ground.decode.pipeline import decode
from ground.decode.table import Moments, Words
from ground.errors import InputError
from ground.settings import Settings
from tests.interpreters import INTERPRETERS

pytestmark = pytest.mark.skipif("micropython" not in INTERPRETERS, reason="the simulated board needs MicroPython")

SPEED = 10.0
SECONDS = 40.0


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """One session: what it gave, and the card and flash that are left."""
    folder = tmp_path_factory.mktemp("bench")
    said = []
    board = open_board(
        "sim:demo", say=said.append, speed=SPEED, card_image=folder / "card.img", flash_folder=folder / "flash"
    )
    found = {"folder": folder, "said": said, "hello": board.hello, "card": board.board}
    captured = []
    board.board.up = lambda data: captured.append(data) or data
    board.readings(SECONDS / 2)
    found["replies"] = {
        "echo": board.command("echo", a=2**31 - 1, b=-(2**31)),
        "sounder": board.command("sounder", for_ms=300, half_ms=100),
        "led": board.command("led", for_ms=300, half_ms=100),
        "memory": board.command("memory"),
        "card_test": board.command("card_test", sectors=40),
        "airborne": board.command("airborne"),
        "bus_scan": board.command("bus_scan"),
    }
    board.board.unplug()
    until = time.monotonic() + 10
    while not said and time.monotonic() < until:
        time.sleep(0.02)
    board.board.plug()
    while len(said) < 2 and time.monotonic() < until:
        time.sleep(0.02)
    found["tables"] = board.readings(SECONDS / 2)
    found["statistics"] = board.statistics
    found["moments"] = list(board.moments)
    found["reports_before"] = len(board.board.reports)
    simulated = board.board
    (folder / "capture.bin").write_bytes(b"".join(captured))
    close, simulated.close = simulated.close, lambda: None  # the board is wanted after the bench
    board.close()
    until = time.monotonic() + 30
    while time.monotonic() < until and found["hello"].boot + 1 not in boots_on(folder / "card.img"):
        time.sleep(0.3)
    found["reports_after"] = [report["reason"] for report in simulated.reports]
    close()
    return found


def boots_on(card):
    """Power-ups of which the card holds records."""
    return {boot.boot for boot in read([np.fromfile(card, dtype=np.uint8)]).boots}


def test_the_board_says_who_it_is(session):
    hello = session["hello"]
    settings = Settings().model_dump()
    assert hello.firmware == "0.1" and hello.micropython.startswith("1.") and len(hello.board_id) == 16
    assert hello.boot in (1, 2), (
        "the board had flown for a moment, if it got so far, and was started anew for the bench"
    )
    assert not hello.settings_defaulted and hello.log_id
    on_board = json.loads((session["folder"] / "flash" / "settings.json").read_text(encoding="utf-8"))
    assert on_board.keys() == settings.keys()


def test_the_tables_are_those_of_the_card(session, tmp_path):
    """The same readings came over the line and lie on the card: same columns, same numbers, row by row."""
    decode(session["folder"] / "card.img", tmp_path / "flight")
    import pandas as pd

    compared = 0
    for name, columns in {
        "pressure": ("sensor", "d1", "d2", "pressure_hpa", "temperature_c", "flags"),
        "power": ("channel", "bus_raw", "shunt_raw", "bus_v", "current_ma", "flags"),
        "temperature": ("probe", "raw", "temperature_c", "flags"),
        "fix": ("latitude_deg", "longitude_deg", "altitude_m", "satellites", "fix_type"),
        "event": ("code", "source", "unit", "a", "b", "text"),
    }.items():
        card = pd.read_parquet(tmp_path / "flight" / "tables" / f"{name}.parquet")
        card = card[card["boot"] == session["hello"].boot]
        table = session["tables"][name]
        assert list(card.columns) == list(table.columns), name
        line = pd.DataFrame({key: _plain(table[key]) for key in ("t_ms", *columns)})
        both = line.merge(card[["t_ms", *columns]], on=["t_ms", columns[0]], suffixes=("", "_card"))
        both = both.drop_duplicates(["t_ms", columns[0]])
        for column in columns[1:]:
            mine, theirs = both[column], both[f"{column}_card"]
            same = (mine == theirs) | (mine.isna() & theirs.isna())
            assert same.all(), (name, column, both[~same].head())
        compared += len(both)
        lines_less = card[(card["t_ms"] > line["t_ms"].min()) & (card["t_ms"] < line["t_ms"].max())]
        assert len(both) >= 0.9 * len(lines_less.drop_duplicates(["t_ms", columns[0]])), name
    assert compared > 500


def _plain(column):
    if isinstance(column, Words):
        return column.to_list()
    if isinstance(column, Moments):
        return np.where(column.known, column.ms, np.nan)
    return getattr(column, "values", column) if not isinstance(column, np.ndarray) else column


def test_a_capture_of_the_line_decodes_like_a_log(session, tmp_path):
    import pandas as pd

    decode(session["folder"] / "capture.bin", tmp_path / "flight")
    captured = pd.read_parquet(tmp_path / "flight" / "tables" / "pressure.parquet")
    heard = session["tables"]["pressure"]
    theirs = dict(zip(captured["t_ms"], captured["d1"], strict=True))
    mine = dict(zip(heard["t_ms"].tolist(), _plain(heard["d1"]).tolist(), strict=True))
    both = mine.keys() & theirs.keys()
    assert len(both) > 200 and all(mine[t_ms] == theirs[t_ms] for t_ms in both)


def test_what_was_said_before_the_first_hello_is_there_too(session):
    names = session["tables"]["event"]["name"].to_list()
    assert "power_up" in names and "self_test" in names
    assert len(session["tables"]["boot"]) >= 1 and len(session["tables"]["pressure_cal"]) >= 1


def test_commands_are_answered(session):
    replies = session["replies"]
    assert {reply["status"] for reply in replies.values()} == {"done"}
    assert (replies["echo"]["a"], replies["echo"]["b"]) == (2**31 - 1, -(2**31))
    assert replies["card_test"]["sectors_good"] == 40
    assert 0 < replies["card_test"]["write_mean_us"] <= replies["card_test"]["write_max_us"]
    assert replies["airborne"]["wanted"] == replies["airborne"]["read_back"] == 6
    assert replies["airborne"]["confirmed"] == 1
    assert replies["memory"]["free"] > 0
    words = [replies["bus_scan"][name] for name in ("at_00", "at_20", "at_40", "at_60")]
    there = [32 * n + bit for n, word in enumerate(words) for bit in range(32) if word >> bit & 1]
    assert there == [0x40, 0x77]  # panel's current sensor and barometer


@pytest.mark.filterwarnings("ignore")  # of the library that reads the card
def test_nothing_of_the_card_test_stays_on_the_card(session):
    from pyfatfs.PyFatFS import PyFatFS

    names = PyFatFS(str(session["folder"] / "card.img"), read_only=True).listdir("/")
    assert [name for name in names if "BENCH" in name.upper()] == []


def test_a_pulled_cable_is_said_and_survived(session):
    lost, back = session["said"][:2]
    assert "lost the board" in lost and "plug it in again" in lost
    assert "is back" in back
    assert session["statistics"]["reconnects"] == 1
    assert session["reports_before"] == 1, "the board was not restarted for it"


def test_frames_that_were_lost_with_the_cable_are_counted(session):
    statistics = session["statistics"]
    assert statistics["records"] > 500
    assert statistics["bytes_bad"] <= 60, "what is on its way when the cable goes"


def test_after_the_bench_the_board_flies_again(session):
    assert session["reports_after"][:2] == ["soft", "soft"]
    boot = session["hello"].boot
    assert boots_on(session["folder"] / "card.img") >= {boot, boot + 1}


def test_moments_of_both_clocks_rise_together_and_the_world_is_never_too_fast(session):
    host, board = np.array(session["moments"]).T
    assert len(host) > 20 and (np.diff(host) >= 0).all() and (np.diff(board) > 0).all()
    assert board[-1] - board[0] <= 1000.0 * SPEED * 1.05 * (host[-1] - host[0])


def test_an_unknown_scenario_is_told_before_anything_is_started():
    with pytest.raises(InputError, match="there is no such scenario"):
        open_board("sim:nowhere")

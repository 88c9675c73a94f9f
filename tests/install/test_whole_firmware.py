"""The firmware itself, compiled and installed onto the simulated board: it flies, and the bench runs on it."""

import time

import pytest

from ground.bench.link import BoardLink
from ground.install.package import firmware_package
from ground.install.run import install
from ground.simulator.scenario import load_scenario
from ground.simulator.serial_board import SerialBoard
from tests.install.firmwares import settings_file
from tests.interpreters import INTERPRETERS

pytestmark = pytest.mark.skipif("micropython" not in INTERPRETERS, reason="needs MicroPython")


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """What came of it: the work, what the link said, how each start of the board ended."""
    folder = tmp_path_factory.mktemp("whole")
    said = []
    with SerialBoard(load_scenario("calm"), blank=True, speed=20.0) as board:
        package = firmware_package()
        install(board.port, settings_file(folder, "ring the farm"), say=said.append, package=package)
        time.sleep(0.5)
        link = BoardLink(board.port, board=board)
        again = install_again = None
        try:
            link.readings(20)
            found = {
                "hello": link.hello,
                "tables": link.tables(),
                "statistics": link.statistics,
                "card_test": link.command("card_test", sectors=20),
                "airborne": link.command("airborne"),
                "memory": link.command("memory"),
            }
            board.close, close = lambda: None, board.close
            link.close()
            board.close = close
            again = []
            install_again = install(board.port, say=again.append, package=package)
        finally:
            link.close()
        found["reasons"] = [report["reason"] for report in board.reports]
    return found | {"package": package, "said": said, "again": again, "work_again": install_again}


def test_the_installed_firmware_says_which_build_it_is(installed):
    assert installed["hello"].build == installed["package"].build
    assert any(f"build {installed['package'].build}" in line for line in installed["said"])


def test_it_has_the_settings_that_were_installed(installed):
    assert not installed["hello"].settings_defaulted and installed["hello"].settings_crc


def test_the_bench_runs_on_short_names(installed):
    tables = installed["tables"]
    assert len(tables["pressure"]) > 100 and len(tables["power"]) > 50 and len(tables["temperature"]) > 10
    assert installed["statistics"]["records_missing"] == 0
    assert "self_test" in tables["event"]["name"].to_list()
    assert installed["card_test"]["status"] == "done" and installed["card_test"]["sectors_good"] == 20
    assert installed["airborne"]["wanted"] == 6 and installed["memory"]["status"] == "done"


def test_nothing_goes_wrong_in_short_names(installed):
    """A part that only fails in its shortened form says so in the log."""
    events = installed["tables"]["event"]
    assert not {"task_error", "copy_error"} & set(events["name"].to_list())


def test_a_second_installation_of_the_same_finds_nothing_to_do(installed):
    assert installed["work_again"].is_nothing
    assert "Everything is on the board already." in installed["again"]


def test_the_watchdog_never_bit(installed):
    assert "watchdog" not in installed["reasons"]

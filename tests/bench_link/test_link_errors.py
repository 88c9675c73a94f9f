"""What can be wrong with a port and with what is behind it, each told in one line that says what to do."""

import os
import threading
import time
from contextlib import contextmanager
from types import SimpleNamespace

import pytest
import serial

from ground.bench.link import BoardLink
from ground.errors import InputError
from ground.simulator.scenario import load_scenario
from ground.simulator.serial_board import SerialBoard
from ground.simulator.serial_line import Port
from tests.bare_board import BareBoard
from tests.interpreters import INTERPRETERS

needs_micropython = pytest.mark.skipif(
    "micropython" not in INTERPRETERS, reason="the simulated board needs MicroPython"
)


@contextmanager
def port(folder, says=b"", every_s=0.1, echoes=False):
    """A port with something behind it that is no board."""
    cable, ending = Port(folder / "port"), threading.Event()
    cable.plug()

    def run():
        while not ending.wait(every_s):
            heard = cable.read()
            if says or (echoes and heard):
                cable.write(says + (heard if echoes else b""))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield str(cable.path)
    finally:
        ending.set()
        thread.join()
        cable.unplug()


def refusal(path):
    """The one line with which connecting is refused."""
    with pytest.raises(InputError) as refused:
        BoardLink(path)
    line = str(refused.value)
    assert "\n" not in line and line.startswith(path)
    return line


def test_a_port_that_is_not_there_is_told_and_where_a_board_may_be(monkeypatch):
    ports = [SimpleNamespace(device="/dev/ttyS0", vid=None), SimpleNamespace(device="/dev/ttyACM7", vid=0x2E8A)]
    monkeypatch.setattr("ground.bench.link_port.list_ports.comports", lambda: ports)
    line = refusal("/dev/ttyNOT-THERE")
    assert "there is no such port (on USB: /dev/ttyACM7); plug the board in" in line
    ports.pop()
    assert "(on USB: none)" in refusal("/dev/ttyNOT-THERE")


def test_a_port_that_another_program_holds_is_told(tmp_path):
    with port(tmp_path) as path, serial.Serial(path, exclusive=True):
        assert "another program has the port open; close it" in (line := refusal(path)) and "wait ten seconds" in line


def test_a_file_is_no_port(tmp_path):
    (tmp_path / "settings.toml").write_text("")
    assert "is not a serial port; name the port" in refusal(str(tmp_path / "settings.toml"))


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may open everything")
def test_a_port_that_may_not_be_opened_is_told(tmp_path):
    with port(tmp_path) as path:
        os.chmod(os.path.realpath(path), 0)
        assert "you may not open this port" in refusal(path)


def test_silence_is_told(tmp_path):
    with port(tmp_path) as path:
        assert "no board answers; is it the right port" in refusal(path)


def test_a_device_that_talks_of_something_else_is_quoted(tmp_path):
    with port(tmp_path, says=b"$GNZDA,101112.00,03,04,2027,00,00*7A\r\n") as path:
        line = refusal(path)
        assert 'does not answer as a MicroPython board; it said "$GNZDA,101112.00' in line


def test_a_device_that_talks_gibberish_is_quoted_in_plain_characters(tmp_path):
    with port(tmp_path, says=bytes(range(128, 190)), every_s=0.02) as path:
        line = refusal(path)
        assert "does not answer as a MicroPython board" in line and line.isprintable()


def test_a_loop_of_wire_is_no_board(tmp_path):
    """What we say comes back, our own commands among it."""
    with port(tmp_path, echoes=True, every_s=0.01) as path:
        assert "does not answer as a MicroPython board" in refusal(path)


@needs_micropython
def test_boards_that_hold_something_else_are_told(tmp_path):
    """One after the other on one board: no firmware, another program, a program that can't be stopped, a broken one."""
    flash = tmp_path / "flash"
    flash.mkdir()
    with BareBoard(flash) as board:
        assert "has no Thistledown firmware; put it on: thistledown install" in refusal(board.port)
    (flash / "main.py").write_text("import time\nwhile True:\n    print('blinking away')\n    time.sleep(0.2)\n")
    with BareBoard(flash) as board:
        assert "has no Thistledown firmware" in refusal(board.port)
    (flash / "main.py").write_text(
        "import time\nwhile True:\n    try:\n        print('you cannot stop me')\n        time.sleep(0.1)\n"
        "    except KeyboardInterrupt:\n        pass\n"
    )
    with BareBoard(flash) as board:
        assert 'it said "you cannot stop me"' in refusal(board.port)
    (flash / "main.py").unlink()
    (flash / "firmware" / "bench").mkdir(parents=True)
    (flash / "firmware" / "__init__.py").write_text("")
    (flash / "firmware" / "bench" / "__init__.py").write_text("def run():\n    raise ValueError('no such chip')\n")
    with BareBoard(flash) as board:
        assert 'the firmware on the board did not start: "ValueError: no such chip"' in refusal(board.port)


@needs_micropython
def test_a_bench_that_was_left_alone_is_found_again():
    """The program on the ground died in the middle; the next one takes the session over, and the board goes on."""
    with SerialBoard(load_scenario("calm"), speed=10.0) as board:
        first = BoardLink(board.port)
        first.readings(3)
        session = first.hello.session
        first._stop_thread()
        first._serial.close()  # as if the process had been killed
        time.sleep(0.3)
        second = BoardLink(board.port)
        assert second.hello.session == session
        assert len(second.readings(3)["pressure"]) > 10
        second.close()
        assert [report["reason"] for report in board.reports][:1] == ["soft"]


@needs_micropython
def test_a_board_that_nobody_talks_to_any_more_flies_by_itself():
    with SerialBoard(load_scenario("calm"), speed=100.0) as board:
        first = BoardLink(board.port)
        first._stop_thread()
        first._serial.close()
        until = time.monotonic() + 60.0
        while len(board.reports) < 2 and time.monotonic() < until:
            time.sleep(0.05)
        assert [report["reason"] for report in board.reports][:2] == ["soft", "reset"]


@needs_micropython
def test_a_board_that_restarts_in_the_middle_is_met_again():
    """The supply dips for a moment: a new boot, and its frames go on in the same tables."""
    said = []
    cut = {"kind": "power_cut", "at_us": 30_000_000, "for_us": 1_000_000}
    with SerialBoard(load_scenario("calm"), speed=10.0, faults=[cut]) as board:
        link = BoardLink(board.port, said.append, board)
        boot = link.hello.boot
        until = time.monotonic() + 30.0
        while link.hello.boot == boot and time.monotonic() < until:
            time.sleep(0.05)
        tables = link.readings(5)
        assert link.hello.boot > boot
        assert {boot, link.hello.boot} <= set(tables["pressure"]["boot"].tolist())
        assert any("is back" in line for line in said)
        link.close()

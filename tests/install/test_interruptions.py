"""An installation cut short at every single step: what boots then is whole, and installing again mends the rest."""

import json
import shutil

import pytest

from ground.errors import InputError
from ground.install.board_files import BoardFiles
from ground.install.run import install
from ground.simulator.scenario import load_scenario
from ground.simulator.serial_board import SerialBoard
from tests.bare_board import BareBoard
from tests.install.firmwares import NEW, OLD, RAN_NEW, RAN_NOTHING, RAN_OLD, settings_file, short_waits, what_boots
from tests.interpreters import INTERPRETERS

pytestmark = pytest.mark.skipif("micropython" not in INTERPRETERS, reason="needs MicroPython")

_STEPS = ("send", "copy", "rename", "remove", "make_folder")


@pytest.fixture(autouse=True)
def _no_waits(monkeypatch):
    short_waits(monkeypatch)


class Cutter:
    """Takes the supply away at the n-th step that changes the flash: before it, within it, or right behind it."""

    def __init__(self, monkeypatch, board, cut_at, manner):
        self.count = 0
        self.names = []
        for name in _STEPS:
            monkeypatch.setattr(BoardFiles, name, self._cutting(name, getattr(BoardFiles, name), board, cut_at, manner))

    def _cutting(self, name, step, board, cut_at, manner):
        def run(files, *arguments):
            self.count += 1
            self.names.append((name, arguments[0]))
            if self.count != cut_at:
                step(files, *arguments)
                return
            if manner == "behind":
                step(files, *arguments)
            elif manner == "within" and name == "send":
                path, data = arguments
                files._transport.exec(f"f = open({path!r}, 'wb'); f.write({data[: len(data) // 2]!r}); f.flush()")
            board.cut_power()
            board._process.wait()
            if manner == "behind":
                raise InputError("cut")
            step(files, *arguments)  # onto a board that is gone

        return run


def put(flash, what, settings, monkeypatch=None, cut_at=0, manner=""):
    """Install, and whether it came to its end; the steps it took."""
    with BareBoard(flash) as board:
        if monkeypatch is None:
            install(board.port, settings, say=lambda line: None, package=what)
            return None
        with monkeypatch.context() as patched:
            cutter = Cutter(patched, board, cut_at, manner)
            if cut_at:
                with pytest.raises(InputError) as refused:
                    install(board.port, settings, say=lambda line: None, package=what)
                assert "\n" not in str(refused.value)
            else:
                install(board.port, settings, say=lambda line: None, package=what)
            return cutter.names


def manners(names):
    """Every way to cut each of these steps: files within, everything behind (before it is behind the step before)."""
    for number, (name, _path) in enumerate(names, 1):
        if name == "send":
            yield number, "within"
        yield number, "behind"


def test_cut_at_every_step_of_an_update_the_old_firmware_boots_or_the_new_one(tmp_path, monkeypatch):
    """With new settings: those of the old firmware stay with it, those of the new one come with it."""
    made = tmp_path / "made"
    put(made, OLD, settings_file(tmp_path, "old words"))
    assert what_boots(made) == RAN_OLD
    new_settings = settings_file(tmp_path, "new words")
    whole = tmp_path / "whole"
    shutil.copytree(made, whole)
    names = put(whole, NEW, new_settings, monkeypatch)
    assert what_boots(whole) == RAN_NEW
    assert {name for name, _ in names} == {"send", "copy", "rename", "make_folder"}
    booted = []
    for cut_at, manner in manners(names):
        flash = tmp_path / f"{cut_at}-{manner}"
        shutil.copytree(made, flash)
        put(flash, NEW, new_settings, monkeypatch, cut_at, manner)
        ran = what_boots(flash)
        assert ran in (RAN_OLD, RAN_NEW), (cut_at, manner, names[cut_at - 1], ran)
        booted.append(ran == RAN_NEW)
    assert booted == sorted(booted), "once the new firmware boots, it boots"
    assert booted.count(True) == 1, "the last step alone changes over"


def test_cut_at_every_step_of_a_first_installation_nothing_boots_or_all_of_it(tmp_path, monkeypatch):
    settings = settings_file(tmp_path, "old words")
    names = put(tmp_path / "whole", OLD, settings, monkeypatch)
    for cut_at, manner in list(manners(names))[-6:]:  # the starting programs and the change; files are as in an update
        flash = tmp_path / f"{cut_at}-{manner}"
        put(flash, OLD, settings, monkeypatch, cut_at, manner)
        assert what_boots(flash) in (RAN_NOTHING, RAN_OLD), (cut_at, manner, names[cut_at - 1])


def test_a_cut_installation_goes_on_where_it_was(tmp_path, monkeypatch):
    flash = tmp_path / "flash"
    put(flash, OLD, settings_file(tmp_path, "old words"))
    new_settings = settings_file(tmp_path, "new words")
    names = put(flash, NEW, new_settings, monkeypatch, 6, "behind")
    with BareBoard(flash) as board:
        work = install(board.port, new_settings, say=lambda line: None, package=NEW)
    assert len(work.keep) >= 2, names
    assert what_boots(flash) == RAN_NEW


def test_the_supply_fails_in_the_middle_of_a_flash_operation(tmp_path):
    """Torn pages and blocks of the virtual flash, littlefs on it: as near to the real thing as a laptop gets."""
    image, scenario = tmp_path / "flash.img", load_scenario("calm")
    new_settings = settings_file(tmp_path, "new words")

    def board(*faults):
        return SerialBoard(scenario, speed=50.0, blank=True, flash_image=image, faults=faults)

    with board() as first:
        install(first.port, settings_file(tmp_path, "old words"), say=lambda line: None, package=OLD)
        assert _what_ran(first) == RAN_OLD
    made = image.read_bytes()
    with board() as undisturbed:
        install(undisturbed.port, new_settings, say=lambda line: None, package=NEW)
        assert _what_ran(undisturbed) == RAN_NEW
        operations = next(report for report in undisturbed.reports if report["reason"] == "reset")["flash"][
            "operations"
        ]
    ran = []
    for cut_at in (operations // 3, operations - 2, operations):
        image.write_bytes(made)
        with board({"kind": "power_cut_at_flash_write", "write": cut_at, "manner": "torn"}) as cut:
            with pytest.raises(InputError):
                install(cut.port, new_settings, say=lambda line: None, package=NEW)
            assert "power_cut" in [report["reason"] for report in cut.reports]
        with board() as after:
            ran.append(_what_ran(after))
    assert ran[0] == RAN_OLD
    assert all(one in (RAN_OLD, RAN_NEW) for one in ran), ran


def _what_ran(board):
    """What the firmware left in the flash when the board started."""
    with BoardFiles(board.port) as files:
        return json.loads(files.read("ran.txt"))

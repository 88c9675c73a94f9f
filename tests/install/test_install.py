"""`thistledown install` onto a MicroPython behind a pseudo-terminal: what is sent, what is kept, what is refused."""

import json
import re
import shutil
import tempfile

import pytest

from ground.cli import run
from ground.errors import InputError
from ground.install.chooser import LIST_FILE, ROOT_FILES
from ground.install.package import Package, package
from ground.install.run import install
from tests.bare_board import BareBoard
from tests.install.firmwares import NEW, OLD, RAN_NEW, RAN_OLD, settings_file, short_waits, what_boots
from tests.interpreters import INTERPRETERS

pytestmark = pytest.mark.skipif("micropython" not in INTERPRETERS, reason="needs MicroPython")


@pytest.fixture(autouse=True)
def _no_waits(monkeypatch):
    short_waits(monkeypatch)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The flash of a board with the old firmware, to copy."""
    folder = tmp_path_factory.mktemp("made")
    put(folder, OLD)
    assert what_boots(folder / "flash") == RAN_OLD
    return folder / "flash"


@pytest.fixture
def old(made, tmp_path):
    """A folder with the flash of a board that has the old firmware."""
    shutil.copytree(made, tmp_path / "flash")
    return tmp_path


def put(folder, what, words="old words", **more):
    """Install; the lines that were told and the work that was done."""
    said = []
    with BareBoard(folder / "flash") as board:
        settings = settings_file(folder, words) if words else None
        work = install(board.port, settings, say=said.append, package=what, **more)
    return said, work


def tree(flash):
    """Every file of a flash but what the firmware wrote."""
    files = {path.relative_to(flash).as_posix(): path.read_bytes() for path in flash.rglob("*") if path.is_file()}
    return {path: data for path, data in files.items() if path != "ran.txt"}


def test_a_blank_board_runs_the_firmware_afterwards(tmp_path):
    said, _ = put(tmp_path, OLD)
    assert what_boots(tmp_path / "flash") == RAN_OLD
    assert "no firmware of ours" in said[0] and f"build {OLD.build} in folder a" in said[-2]
    assert 'contact = "old words"' in said[-1]


def test_a_second_firmware_goes_beside_the_first_and_what_they_share_is_not_sent_again(old):
    _, work = put(old, NEW, "new words")
    assert what_boots(old / "flash") == RAN_NEW
    assert work.slot == "b"
    assert "firmware/same.py" in work.copy and "firmware/part.py" in work.send
    assert tree(old / "flash").keys() >= {"a/firmware/gone.py"}, "the old one stays until it is in the way"


def test_a_third_firmware_takes_the_place_of_the_first_and_nothing_of_it_is_left(old):
    put(old, NEW, "new words")
    third = package({**NEW.files, "firmware/part.py": b"TAG = 'third'\n"} | {LIST_FILE: b""})
    third = package({path: data for path, data in third.files.items() if path != LIST_FILE})
    _, work = put(old, third, None)
    assert work.slot == "a" and work.remove == [LIST_FILE, "firmware/gone.py", "firmware/main.py", "firmware/part.py"]
    on_board = {path[2:]: data for path, data in tree(old / "flash").items() if path.startswith("a/")}
    assert on_board == third.files
    assert what_boots(old / "flash")[0][1] == "third"


def test_the_same_firmware_again_touches_nothing(old):
    before = tree(old / "flash")
    times = {path: (old / "flash" / path).stat().st_mtime_ns for path in before}
    said, work = put(old, OLD)
    assert work.is_nothing and "Everything is on the board already." in said
    assert tree(old / "flash") == before
    assert {path: (old / "flash" / path).stat().st_mtime_ns for path in before} == times


def test_settings_alone_are_exchanged_alone(old):
    _, work = put(old, OLD, "new words")
    assert work.is_current and not work.send
    assert what_boots(old / "flash") == [RAN_OLD[0], "new words"]


def test_without_a_settings_file_the_board_keeps_its_own(old):
    put(old, NEW, None)
    assert what_boots(old / "flash") == [RAN_NEW[0], "old words"]


def test_a_board_without_settings_gets_the_defaults_and_a_word_about_the_contact(tmp_path):
    said, _ = put(tmp_path, OLD, None)
    assert "contact is empty" in said[-2] and "settings init settings.toml" in said[-1]
    assert what_boots(tmp_path / "flash") == [RAN_OLD[0], ""]
    assert json.loads((tmp_path / "flash" / "settings.json").read_text())["log_size_mib"] == 64


def test_settings_that_the_firmware_does_not_take_are_named(old):
    path = old / "flash" / "settings.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"i2c_hz": 7, "wings": 2}))
    said, _ = put(old, OLD, None)
    assert any("does not take some of the board's settings: i2c_hz, wings" in line for line in said)
    assert "install with --settings FILE" in said[-1]
    again, _ = put(old, OLD, "words of a file")
    assert not any("settings init" in line for line in again)


def test_a_dry_run_tells_all_and_changes_nothing(old):
    before = tree(old / "flash")
    said, work = put(old, NEW, "new words", dry_run=True)
    assert tree(old / "flash") == before
    assert work.send and any(line.startswith("Would fill folder b: send") for line in said)
    assert any(f"Would then run: firmware build {NEW.build}" in line for line in said)
    assert what_boots(old / "flash") == RAN_OLD


def test_files_of_others_stay(tmp_path):
    (tmp_path / "flash").mkdir()
    (tmp_path / "flash" / "boots_a.bin").write_bytes(b"count")
    put(tmp_path, OLD)
    put(tmp_path, NEW)
    assert (tmp_path / "flash" / "boots_a.bin").read_bytes() == b"count"


def test_another_program_is_replaced_last_of_all(tmp_path):
    (tmp_path / "flash").mkdir()
    (tmp_path / "flash" / "main.py").write_text("print('mine')\n")
    put(tmp_path, OLD)
    assert what_boots(tmp_path / "flash") == RAN_OLD


def test_a_file_that_does_not_arrive_as_it_was_sent_is_noticed_before_anything_is_changed_over(old, monkeypatch):
    from ground.install.board_files import BoardFiles

    send = BoardFiles.send

    def bad_send(self, path, data):
        send(self, path, data.replace(b"long", b"lung") if path.endswith("part.py") else data)

    monkeypatch.setattr(BoardFiles, "send", bad_send)
    with pytest.raises(InputError, match=r"b/firmware/part.py is not on the board as it was sent \(1 such\)"):
        put(old, NEW)
    assert what_boots(old / "flash") == RAN_OLD


def test_a_wrong_setting_is_refused_before_the_board_is_touched(tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("log_size_mib = 0\n")
    with BareBoard(tmp_path / "flash") as board:
        with pytest.raises(InputError, match=r"bad.toml: log_size_mib = 0"):
            install(board.port, bad, package=OLD)
        assert board.reports == []


def test_bytecode_of_another_version_is_refused(tmp_path):
    strange = package({"firmware/main.mpy": b"M\x05\x00\x1f"})
    with pytest.raises(InputError, match=r"reads .mpy files of version 6, mpy-cross here makes version 5"):
        put(tmp_path, strange)


def test_a_firmware_that_finds_no_room_is_refused_with_the_numbers(tmp_path, monkeypatch):
    from ground.install.board_files import BoardFiles

    facts = BoardFiles.facts
    monkeypatch.setattr(BoardFiles, "facts", lambda self: (*facts(self)[:4], 4096, 9, ""))
    with pytest.raises(InputError, match=r"the board's flash has room for 36 KiB, the firmware needs \d+"):
        put(tmp_path, OLD)
    assert tree(tmp_path / "flash") == {}


def test_the_second_copy_of_old_flights_is_in_the_way_until_one_says_so(old, monkeypatch):
    from ground.install.board_files import BoardFiles

    (old / "flash" / "copy").mkdir()
    for number in range(3):
        (old / "flash" / "copy" / f"part00{number}.log").write_bytes(bytes(32000))
    facts = BoardFiles.facts
    monkeypatch.setattr(BoardFiles, "facts", lambda self: (*facts(self)[:4], 4096, 9, ""))
    with pytest.raises(InputError, match=r"the second copy of old flights holds 96 KiB: .* --make-room"):
        put(old, NEW)
    assert len(list((old / "flash" / "copy").iterdir())) == 3
    said, _ = put(old, NEW, "new words", make_room=True)
    assert list((old / "flash" / "copy").iterdir()) == []
    assert "Will remove the second copy of old flights from the flash." in said
    assert what_boots(old / "flash") == RAN_NEW


def test_an_old_micropython_is_refused(tmp_path, monkeypatch):
    from ground.install.board_files import BoardFiles

    facts = BoardFiles.facts
    monkeypatch.setattr(BoardFiles, "facts", lambda self: ("micropython", (1, 19, 1), *facts(self)[2:]))
    with pytest.raises(InputError, match=r"MicroPython 1.19.1 on it is too old or lacks parts; put 1.24 or newer"):
        put(tmp_path, OLD)


def test_the_starting_programs_are_the_shipped_ones(old):
    assert {name: (old / "flash" / name).read_bytes() for name in ROOT_FILES} == ROOT_FILES


def test_a_list_names_every_file_with_its_hash(tmp_path):
    assert isinstance(OLD, Package)
    lines = OLD.files[LIST_FILE].decode().splitlines()
    assert [line.split(" ", 2)[2] for line in lines] == sorted(set(OLD.files) - {LIST_FILE})


def test_simulated_board_is_called_that_and_not_by_a_path_of_this_computer(capsys):
    assert run(["install", "--port", "sim", "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("The simulated board: MicroPython ") and tempfile.gettempdir() not in said
    assert re.search(r"^Would fill folder a: send \d+ files \(\d+ KiB\)\.$", said, re.M)


def test_stop_key_says_what_the_board_has_now(capsys, monkeypatch):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("ground.install.run.install", stopped)
    assert run(["install", "--port", "/dev/ttyACM0"]) == 130
    assert "old firmware or the new one, whole. Switch it off and on" in capsys.readouterr().err

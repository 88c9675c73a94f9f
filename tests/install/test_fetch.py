"""`thistledown fetch`: the second copy comes whole off a board behind a pseudo-terminal, or it is said why not."""

import pytest

from ground.cli import run
from ground.decode import decode
from ground.errors import InputError
from ground.install.board_files import BoardFiles
from ground.install.fetch import fetch
from tests.bare_board import BareBoard
from tests.ground.copy_maker import sectors, thinned, write_parts
from tests.ground.test_decode_copies import LOG
from tests.install.firmwares import short_waits
from tests.interpreters import INTERPRETERS

pytestmark = pytest.mark.skipif("micropython" not in INTERPRETERS, reason="needs MicroPython")


@pytest.fixture(autouse=True)
def _no_waits(monkeypatch):
    short_waits(monkeypatch)


@pytest.fixture
def flash(tmp_path):
    """The flash of a board that flew, with something else beside the copy's parts."""
    folder = write_parts(tmp_path / "flash", sectors(LOG, thinned(LOG)), part_sectors=4)
    (folder / "copy" / "notes.txt").write_text("not a part")
    return folder


def parts(flash):
    return {path.name: path.read_bytes() for path in (flash / "copy").glob("part*.log")}


def fetched(flash, out, **more):
    said = []
    with BareBoard(flash) as board:
        fetch(board.port, out, say=said.append, **more)
    return said


def test_every_part_comes_as_it_is_and_decodes(flash, tmp_path):
    shares = []
    said = fetched(flash, tmp_path / "out", progress=lambda share, text: shares.append(share))
    assert {path.name: path.read_bytes() for path in (tmp_path / "out" / "copy").iterdir()} == parts(flash)
    assert f"{len(parts(flash))} files of the second copy" in said[0] and "check sum" in said[-1]
    assert shares == sorted(shares) and shares[-1] == 1.0
    assert decode(tmp_path / "out", tmp_path / "flight").integrity["frames_ok"] == len(thinned(LOG))


def test_a_second_call_goes_on_where_the_first_was_lost(flash, tmp_path, monkeypatch):
    receive, calls = BoardFiles.receive, []

    def once(self, path, shown):
        calls.append(path)
        if len(calls) == 3:
            raise InputError("the cable was pulled")
        return receive(self, path, shown)

    monkeypatch.setattr(BoardFiles, "receive", once)
    with pytest.raises(InputError, match="pulled"):
        fetched(flash, tmp_path / "out")
    assert len(list((tmp_path / "out" / "copy").iterdir())) == 2
    calls[:] = ["", "", ""]
    fetched(flash, tmp_path / "out")
    assert len(calls) - 3 == len(parts(flash)) - 2
    assert {path.name: path.read_bytes() for path in (tmp_path / "out" / "copy").iterdir()} == parts(flash)


def test_a_file_that_comes_garbled_twice_is_refused_and_once_is_asked_again(flash, tmp_path, monkeypatch):
    receive, spoil = BoardFiles.receive, [True]

    def garbled(self, path, shown):
        data = receive(self, path, shown)
        return data[:-1] if spoil and spoil.pop() else data

    monkeypatch.setattr(BoardFiles, "receive", garbled)
    fetched(flash, tmp_path / "once")
    assert {path.name: path.read_bytes() for path in (tmp_path / "once" / "copy").iterdir()} == parts(flash)
    spoil[:] = [True, True]
    with pytest.raises(InputError, match="came garbled 2 times; try another cable"):
        fetched(flash, tmp_path / "twice")


def test_files_of_another_flight_are_not_written_over(flash, tmp_path):
    (tmp_path / "out" / "copy").mkdir(parents=True)
    (tmp_path / "out" / "copy" / "part000.log").write_bytes(b"an older flight")
    with pytest.raises(InputError, match="differs from the board's; name another folder"):
        fetched(flash, tmp_path / "out")
    assert [path.name for path in (tmp_path / "out" / "copy").iterdir()] == ["part000.log"]
    assert (tmp_path / "out" / "copy" / "part000.log").read_bytes() == b"an older flight"


def test_a_board_without_a_copy_is_named_and_nothing_is_made(tmp_path):
    (tmp_path / "flash").mkdir()
    with pytest.raises(InputError, match="no second copy on this board"):
        fetched(tmp_path / "flash", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_command_says_the_next_step_and_that_the_simulated_board_has_not_flown(flash, tmp_path, capsys):
    with BareBoard(flash) as board:
        assert run(["fetch", "--port", board.port, "-o", str(tmp_path / "from board")]) == 0
    said = capsys.readouterr().out
    assert "Unplug the board" in said and f"Next: thistledown decode '{tmp_path / 'from board'}'" in said
    assert run(["fetch", "--port", "sim", "-o", str(tmp_path / "none")]) == 1
    assert "The simulated board: no second copy on this board" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()

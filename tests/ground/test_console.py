"""Progress: quiet for a quick step, plain lines now and then in a log file, a bar on a terminal."""

import io

import pytest

from ground import console


class Clock:
    def __init__(self):
        self.now = 100.0

    def monotonic(self):
        return self.now


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(console, "time", clock)
    return clock


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_quick_step_says_nothing(clock, capsys):
    with console.progress("Flying") as shown:
        shown(0.5, "half")
        shown(1.0, "done")
    assert capsys.readouterr() == ("", "")


def test_long_step_tells_a_line_now_and_then_on_stderr(clock, capsys):
    with console.progress("Flying") as shown:
        for tenth in range(1, 41):
            clock.now += 1.0
            shown(tenth / 40, f"at {tenth} s")
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == [
        "Flying: 2 % at 1 s", "Flying: 28 % at 11 s", "Flying: 52 % at 21 s", "Flying: 78 % at 31 s"
    ]  # fmt: skip


def test_bar_is_drawn_on_a_terminal_and_gone_afterwards(clock, monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with console.progress("Flying") as shown:
        clock.now += 2.0
        shown(0.25, "ascending, 12.0 km")
        drawn = terminal.getvalue()
    assert "Flying" in drawn
    assert terminal.getvalue().rstrip().endswith(("\x1b[2K", "\x1b[?25h", "\x1b[1A"))  # line erased, cursor back


def test_bar_ends_when_the_step_fails(clock, monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)

    def step():
        with console.progress("Flying") as shown:
            clock.now += 2.0
            shown(0.25, "")
            raise ValueError

    with pytest.raises(ValueError):
        step()
    assert "\x1b[?25h" in terminal.getvalue()  # the cursor is shown again


def test_next_step_is_named_as_the_program_was_called(monkeypatch, capsys):
    line = "Next: thistledown decode card.img -o x; the log is in flights/thistledown demo, thistledown knows"
    monkeypatch.delenv("THISTLEDOWN_CALLED", raising=False)
    console.say(line)
    monkeypatch.setenv("THISTLEDOWN_CALLED", "./thistledown")
    console.say(line)
    said = capsys.readouterr().out.splitlines()
    assert said == [line, line.replace("Next: thistledown", "Next: ./thistledown")]

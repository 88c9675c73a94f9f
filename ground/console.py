"""What a command says while it works: plain lines on stdout, and progress on stderr.

Progress is a bar where stderr is a terminal and a plain line now and then where it is a file or a pipe. It appears
only after a moment, so that a quick step stays quiet.
"""

import os
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Protocol

QUIET_S = 1.0  # a step that is over sooner than this shows no progress at all
PLAIN_EVERY_S = 10.0


class Progress(Protocol):
    """Told by a long step how much is done (0 to 1) and what it does now."""

    def __call__(self, share: float, text: str) -> None: ...


def plain(text: str) -> str:
    """The text as a terminal may be given it: what could move its cursor, colour it or turn it round is spelt out.

    File names and settings come from outside, and may hold such characters.
    """
    return "".join(ch if ch.isprintable() or ch == "\n" else ch.encode("unicode_escape").decode() for ch in text)


# The program's name before a command or an option, and not as a part of a path.
_NAMED = re.compile(r"(?<![\w./\\-])thistledown(?= (?:demo|fly|settings|install|bench|fetch|decode|report|test|--)\b)")


def called() -> str:
    """How the user starts the program: `thistledown`, or as the launcher says, `./thistledown` in a fresh copy."""
    return os.environ.get("THISTLEDOWN_CALLED") or "thistledown"


def as_called(text: str) -> str:
    """The text with the program's name as the user has to type it."""
    return _NAMED.sub(lambda _: called(), text)


def say(text: str = "") -> None:
    """A line of the command's answer."""
    print(plain(as_called(text)), flush=True)


def note(text: str) -> None:
    """A line that is about the work and not its answer."""
    print(plain(as_called(text)), file=sys.stderr, flush=True)


@contextmanager
def progress(title: str) -> Iterator[Progress]:
    """Show how a long step gets on; what it yields is handed to the step and called from there."""
    shown = _Bar(title) if sys.stderr.isatty() else _Lines(title)
    try:
        yield shown
    finally:
        shown.close()


class _Bar:
    """A bar on a terminal, gone when the step is over."""

    def __init__(self, title: str):
        self._title = title
        self._began = time.monotonic()
        self._bar: Any = None  # rich's, imported only when it is drawn

    def __call__(self, share: float, text: str) -> None:
        if self._bar is None:
            if time.monotonic() - self._began < QUIET_S:
                return
            self._start()
        self._bar.update(self._task, completed=min(max(share, 0.0), 1.0), text=text)

    def _start(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        columns = (
            TextColumn("{task.description}"), BarColumn(bar_width=24), TaskProgressColumn(), TimeElapsedColumn(),
            TextColumn("{task.fields[text]}"),
        )  # fmt: skip
        self._bar = RichProgress(*columns, console=Console(stderr=True), transient=True)
        self._task = self._bar.add_task(self._title, total=1.0, text="")
        self._bar.start()

    def close(self) -> None:
        if self._bar is not None:
            self._bar.stop()


class _Lines:
    """Plain lines, for a log file."""

    def __init__(self, title: str):
        self._title = title
        self._next = time.monotonic() + QUIET_S

    def __call__(self, share: float, text: str) -> None:
        now = time.monotonic()
        if now >= self._next and 0.0 < share < 1.0:  # the end is told by the command itself
            self._next = now + PLAIN_EVERY_S
            note(f"{self._title}: {100 * min(max(share, 0.0), 1.0):.0f} % {text}".rstrip())

    def close(self) -> None:
        pass

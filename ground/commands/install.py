"""`thistledown install`: firmware and settings onto a board."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from ground.commands.board_port import PORT
from ground.console import note, progress, say


def install(
    port: Annotated[str, PORT],
    settings: Annotated[
        Path | None,
        typer.Option(metavar="FILE", show_default=False, help="The board's settings; without them it keeps its own."),
    ] = None,
    make_room: Annotated[
        bool,
        typer.Option("--make-room", help="Remove the second copy of old flights if the flash has no room otherwise."),
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Tell what would be done, and change nothing.")] = False,
) -> None:
    """Put the firmware and its settings on a board.

    The board needs MicroPython. Only what changed is sent, every file is checked on the board, and the new firmware is
    chosen in one last step: interrupted anywhere, the board runs the old firmware or the new one. Settings come from a
    file that `thistledown settings init FILE` begins.

    \b
    Example:
      thistledown install --port /dev/ttyACM0 --settings settings.toml
    """
    from ground.bench.simulated import at_port
    from ground.install.run import install as install_on

    with at_port(port, blank=True) as real_port, progress("Installing") as shown:
        name = None if real_port == port else "The simulated board"
        try:
            install_on(real_port, settings, dry_run=dry_run, make_room=make_room, say=say, progress=shown, name=name)
        except KeyboardInterrupt:
            note("The board has its old firmware or the new one, whole. Switch it off and on, or install again.")
            raise
    if dry_run:
        return
    if real_port != port:
        say("The simulated board is gone again, with all that was put on it. Next: thistledown bench --port sim")
    else:
        given = f" --settings {quote(str(settings))}" if settings else ""
        say(f"Next: thistledown bench --port {quote(port)}{given}")

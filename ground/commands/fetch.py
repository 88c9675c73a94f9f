"""`thistledown fetch`: the second copy of a flight out of the board's flash."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from ground.commands.board_port import PORT
from ground.console import progress, say


def fetch(
    port: Annotated[str, PORT],
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="DIR", help="Where its folder `copy` goes.", show_default=False)
    ],
) -> None:
    """Read the second copy of a flight out of the board's flash.

    For a card that is lost, broken or has holes: the board keeps one set of readings each 5 s in its own flash. Connect
    the board by USB alone, its battery off. Every file is checked; what came stays if the cable is pulled, and the next
    call goes on. Afterwards the board starts as after any power-up and writes into its copy again: do it once, soon.

    \b
    Example:
      thistledown fetch --port /dev/ttyACM0 -o from-board
      thistledown decode card.img from-board -o flights/june
    """
    from ground.bench.simulated import at_port
    from ground.install.fetch import fetch as fetch_from

    with at_port(port) as real_port, progress("Fetching") as shown:
        name = None if real_port == port else "The simulated board"
        fetch_from(real_port, out, say=say, progress=shown, name=name)
    say("Unplug the board now. Battery cells that are swollen, dented or warm: outdoors, and nobody charges them.")
    folder = quote(str(out))
    say(f"Next: thistledown decode {folder} -o flights/NAME")
    say(f"With the card's image: thistledown decode card.img {folder} -o flights/NAME")

"""`thistledown report`: the page to look at."""

from pathlib import Path
from typing import Annotated

import typer

from ground.console import progress, say


def report(
    flight: Annotated[Path, typer.Argument(metavar="FLIGHT", help="A flight folder, made by decode.")],
    title: Annotated[
        str | None,
        typer.Option(
            metavar="TEXT",
            show_default=False,
            help="What the flight is called, on the page and under each picture. "
            "[default: the simulated scenario's name, else the folder's, else the day]",
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over an earlier report.")] = False,
) -> None:
    """Make a page and figures of a flight.

    Writes report.html, one file that opens in any browser without a network, and the charts as PNG in figures/.

    \b
    Example:
      thistledown report flights/calm
    """
    from ground.report import build_report

    with progress("Drawing") as shown:
        written = build_report(flight, title=title, force=force, progress=shown)
    say(f"Wrote {written.page} and {len(written.figures)} figures in {flight / 'figures'}.")
    for sentence in written.missing:
        say(f"Not shown: {sentence}")

"""`thistledown demo`: the whole journey once, on an invented flight."""

from pathlib import Path
from typing import Annotated

import typer

from ground.console import progress, say

NOTE_NAME = "made-by-demo.txt"
NOTE = "`thistledown demo` wrote this folder and writes over it the next time. Copy what you want to keep.\n"


def demo(
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Where to write.")] = Path("flights/demo"),
    force: Annotated[bool, typer.Option("--force", help="Write into a folder that holds something else.")] = False,
) -> None:
    """Show one whole flight, from start to report.

    The firmware flies an invented balloon for two and a half hours to about 30 km, with one restart in flight, in
    well under a minute. Then the card and the second copy from the board's flash are decoded into one flight, a
    report is made and the flight summed up. Needs no board and no network.

    \b
    Example:
      thistledown demo
    """
    from ground.decode import decode
    from ground.output_folder import claim, taken_back_if_refused
    from ground.report import build_report
    from ground.simulator.flight import fly
    from ground.simulator.scenario import load_scenario
    from ground.summary import summarise

    with taken_back_if_refused(out):
        claim(out, force=force or (out / NOTE_NAME).is_file())
        (out / NOTE_NAME).write_text(NOTE, encoding="utf-8")
        with progress("Flying") as shown:
            fly(
                load_scenario("demo"), out.absolute(), progress=shown
            )  # the board's own process works in another folder
        with progress("Decoding") as shown:
            flash = out / "flash.img"
            copies = [out / "card.img", *([flash] if flash.is_file() else [])]
            decode(copies, out, force=True, progress=shown)
        with progress("Drawing") as shown:
            build_report(out, force=True, progress=shown)
    say(summarise(out))

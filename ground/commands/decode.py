"""`thistledown decode`: from a card to a flight folder."""

from pathlib import Path
from shlex import quote
from typing import Annotated, Literal

import typer

from ground.console import progress, say


def decode(
    source: Annotated[
        Path, typer.Argument(metavar="SOURCE", help="A card image, folder, log file, flash dump or serial capture.")
    ],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="The flight folder to write.")],
    format: Annotated[Literal["parquet", "csv"], typer.Option(help="The kind of tables to write.")] = "parquet",
    log: Annotated[
        str | None,
        typer.Option(metavar="NAME", show_default=False, help="Which log, if there are several. [default: the newest]"),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over tables that are already there.")] = False,
) -> None:
    """Turn what is on a card into a flight folder.

    Writes tables/ (one per kind of record), flight.parquet (one row a second) and integrity.json (what was
    recovered and what was lost). The source is only read. Next: thistledown report DIR

    \b
    Example:
      thistledown decode flights/calm/card.img -o flights/calm
    """
    from ground.decode import decode as decode_source

    with progress("Decoding") as shown:
        result = decode_source(source, out, format=format, force=force, log=log, progress=shown)
    account = result.integrity
    say(
        f"Read {account['frames_ok']:,} frames; {account['frames_missing']:,} are missing, "
        f"{account['frames_bad']:,} could not be read."
    )
    for text in account["notes"]:
        say(f"- {text}.")
    say(f"Wrote the flight folder {out}; {out / 'integrity.json'} has the whole account.")
    say(f"Next: thistledown report {quote(str(out))}")

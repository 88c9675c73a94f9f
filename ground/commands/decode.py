"""`thistledown decode`: from a card, and from the board's second copy, to a flight folder."""

import textwrap
from pathlib import Path
from shlex import quote
from typing import Annotated, Any, Literal

import typer

from ground.console import progress, say

_WIDTH = 79
_BAR = 50
COPY_NAME = "flash.img"  # what a simulated flight leaves beside its card.img


def decode(
    sources: Annotated[
        list[str],
        typer.Argument(
            metavar="SOURCE...",
            help="A card image, folder, log file, flash dump or serial capture. Several are put together: "
            "say the card and the copy from the board's flash.",
        ),
    ],
    out: Annotated[str, typer.Option("--out", "-o", metavar="DIR", help="The flight folder to write.")],
    format: Annotated[Literal["parquet", "csv"], typer.Option(help="The kind of tables to write.")] = "parquet",
    log: Annotated[
        str | None,
        typer.Option(metavar="NAME", show_default=False, help="Which log, if there are several. [default: the newest]"),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over tables that are already there.")] = False,
) -> None:
    """Turn what is on a card, in a board's flash, or both, into a flight folder.

    Writes tables/ (one per kind of record), flight.parquet (one row a second) and integrity.json (what was
    recovered, from where, and what is missing). Sources are only read, in any order, and what they are is found out
    by looking: also a hurt card, a deleted log, a copy with holes. Next: thistledown report DIR

    \b
    Example:
      thistledown decode flights/calm/card.img -o flights/calm
      thistledown decode card.img flash.img -o flights/spring
    """
    for source in sources:
        if not source.strip():
            raise typer.BadParameter("the name of a source is empty; give a card image, a folder or a log file")
    if not out.strip():
        raise typer.BadParameter("the name of the flight folder is empty; name one with --out")
    from ground.decode import decode as decode_source

    paths, folder = [Path(source) for source in sources], Path(out)
    with progress("Decoding") as shown:
        result = decode_source(paths, folder, format=format, force=force, log=log, progress=shown)
    for line in origin_lines(folder):
        say(line)
    for line in account_lines(result.integrity):
        say(line)
    beside = paths[0].parent / COPY_NAME
    if len(paths) == 1 and paths[0].name != COPY_NAME and beside.is_file():
        say(f"{beside} lies beside it: the board's second copy. To take both:")
        say(f"  thistledown decode {quote(str(paths[0]))} {quote(str(beside))} -o {quote(out)} --force")
    say(f"Wrote the flight folder {folder}; {folder / 'integrity.json'} has the whole account.")
    say(f"Next: thistledown report {quote(str(folder))}")


def origin_lines(folder: Path) -> list[str]:
    """That the flight was simulated, and on what, where the folder says so."""
    from ground.simulated import note_of_folder, sentences

    note = note_of_folder(folder)
    return _wrapped(sentences(note)) if note else []


def account_lines(account: dict[str, Any]) -> list[str]:
    """The account on a terminal: what there is, what is missing, why, and what it would take."""
    from ground.report import recovered

    lines = [f"Recovered {account['frames_ok']:,} records, each with a checksum that holds."]
    for text in recovered.came_from(account):
        lines += _wrapped(text, "  ", "    ")
    lines += _wrapped(recovered.missing(account))
    covered = recovered.coverage(account)
    if covered and (set(covered.kinds()) - {recovered.WHOLE, recovered.OFF}):
        lines.append(f"  {covered.begin} [{recovered.bar(covered, _BAR)}] {covered.end}")
        lines += [f"           {text}" for text in recovered.legend(covered)]
    if account["notes"]:
        lines.append("What to know, and what would bring more:")
    for text in account["notes"]:
        lines += _wrapped(f"{text}.", "  - ", "    ")
    return lines


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False, break_long_words=False
    )

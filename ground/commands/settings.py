"""`thistledown settings`: the board's settings, written by hand and checked here."""

from pathlib import Path
from shlex import quote
from typing import Annotated

import typer

from ground.console import say

settings_app = typer.Typer(help="Write and check the board's settings.")


@settings_app.command()
def init(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The new settings file.")],
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is already there.")] = False,
) -> None:
    """Write a settings file to start from.

    It holds every key at its default, each explained.

    \b
    Example:
      thistledown settings init settings.toml
    """
    from ground.output_folder import claim_file
    from ground.settings import default_text

    claim_file(file, force=force)
    file.write_text(default_text(), encoding="utf-8")
    say(f"Wrote {file}. Edit it, then: thistledown settings check {quote(str(file))}")


@settings_app.command()
def check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A settings file.")],
    json: Annotated[
        Path | None,
        typer.Option("--json", metavar="FILE", show_default=False, help="Write the board's settings.json here."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a JSON file that is already there.")] = False,
) -> None:
    """Check a settings file.

    With --json it also makes the file that goes on the board.

    \b
    Example:
      thistledown settings check settings.toml --json settings.json
    """
    from ground.output_folder import claim_file
    from ground.settings import board_json, changed_from_default, doubts, load_settings, own_values

    settings = load_settings(file)
    if json is not None:
        claim_file(json, force=force)
    changed = changed_from_default(settings)
    if changed:
        say(f"{file}: every key is good; {len(changed)} differ{'s' if len(changed) == 1 else ''} from the default.")
        for line in changed:
            say(f"  {line}")
    else:
        begin = (
            "nothing in it is wrong, and nothing in it is yours" if settings.model_fields_set else "holds no setting"
        )
        say(f"{file}: {begin}: every setting is at its default.")
        say("  Look at these, which only you can know (pins at their default fit the wiring of hardware_notes):")
        for line in own_values(settings):
            say(f"  {line}")
    for doubt in doubts(settings):
        say(f"! {doubt}")
    if json is not None:
        json.write_text(board_json(settings), encoding="utf-8")
        say(f"Wrote {json}; it goes on the board as settings.json.")
    else:
        say(f"Next: thistledown install --port PORT --settings {quote(str(file))}")
    say(f"Next: thistledown install --port PORT --settings {quote(str(file))}")

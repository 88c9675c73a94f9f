"""`thistledown fly`: the firmware through a simulated flight."""

from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from shlex import quote
from typing import Annotated, Literal

import typer

from ground.console import progress, say
from ground.simulator.board.gnss.behaviour import BEHAVIOURS

_COMPLAINTS_SHOWN = 3
_SEED_MAX = 2**63 - 1  # as for the scenario's own

GnssBehaviour = StrEnum("GnssBehaviour", list(BEHAVIOURS))  # type: ignore[misc]  # names from the virtual receiver


def _checked_seed(seed: int | None) -> int | None:
    if seed is not None and not 0 <= seed <= _SEED_MAX:
        raise typer.BadParameter(f"{seed} is not a whole number from 0 to {_SEED_MAX}")
    return seed


def fly(
    scenario: Annotated[
        str | None,
        typer.Argument(metavar="SCENARIO", show_default=False, help="`demo`, `calm`, or the path of a TOML file."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", metavar="DIR", show_default=False, help="Where to write. [default: flights/NAME]"),
    ] = None,
    sounding: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV",
            show_default=False,
            help="Fly through this measured atmosphere: columns pressure_hpa, height_m, temperature_c, dewpoint_c, "
            "wind_from_deg, wind_speed_ms, one row for each level. Between its levels, however far apart, temperature "
            "is linear in the logarithm of pressure, pressure follows by the hydrostatic equation and wind is linear "
            "in height. Above and below them the standard atmosphere goes on.",
        ),
    ] = None,
    gnss_stream: Annotated[
        Path | None,
        typer.Option(metavar="FILE", show_default=False, help="Play this recording in place of the GPS receiver."),
    ] = None,
    gnss_behaviour: Annotated[
        GnssBehaviour | None,
        typer.Option(
            metavar="NAME",
            show_default=False,
            help=f"What the GPS receiver does wrong, in place of the scenario's word for it: {', '.join(BEHAVIOURS)}.",
        ),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option(
            metavar="N", callback=_checked_seed, show_default=False, help="Other chance events than the scenario's own."
        ),
    ] = None,
    runtime: Annotated[Literal["micropython", "cpython"], typer.Option(help="What runs the firmware.")] = "micropython",
    new_scenario: Annotated[
        Path | None,
        typer.Option(metavar="FILE", show_default=False, help="Write a commented scenario to start from; stop."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Write over what is there already.")] = False,
) -> None:
    """Fly the firmware through a simulated flight.

    Writes card.img, the image of the memory card as it comes home, flash.img, the board's flash with the second
    copy of the log, and truth.parquet, what really happened.
    Next: thistledown decode DIR/card.img DIR/flash.img -o DIR

    \b
    Example:
      thistledown fly calm -o flights/calm
      thistledown fly --new-scenario ours.toml
    """
    if new_scenario is not None:
        if scenario is not None:
            raise typer.BadParameter("--new-scenario writes a file and flies nothing; leave SCENARIO out")
        return _write_new(new_scenario, force=force)
    if scenario is None:
        raise typer.BadParameter("name a SCENARIO: `demo`, `calm` or a file that --new-scenario FILE has begun")
    from ground.output_folder import claim, taken_back_if_refused
    from ground.simulated import on_what
    from ground.simulator.flight import fly as fly_scenario
    from ground.simulator.flown import lines_of_flight
    from ground.simulator.scenario import load_scenario

    if gnss_behaviour is not None and gnss_stream is not None:
        raise typer.BadParameter("a recording is played as it is; give --gnss-stream or --gnss-behaviour, not both")
    loaded = load_scenario(scenario)
    if gnss_behaviour is not None:
        gnss = loaded.gnss.model_copy(update={"behaviour": gnss_behaviour.value})
        loaded = loaded.model_copy(update={"gnss": gnss})
    folder = out or Path("flights") / Path(scenario).stem
    goal = folder.absolute()  # the board's own process works in another folder
    with taken_back_if_refused(folder), progress("Flying") as shown:
        claim(folder, force=force)
        result = fly_scenario(
            loaded, goal, sounding=sounding, gnss_stream=gnss_stream, seed=seed, runtime=runtime, progress=shown
        )
    for line in result.notices:
        say(f"! {line}")
    complaints = result.complaints()
    for line in complaints[:_COMPLAINTS_SHOWN]:
        say(f"! {line}")
    if len(complaints) > _COMPLAINTS_SHOWN:
        say(f"! and more of what good firmware does not do; see {folder / 'flight.json'}")
    power_ups = f"{len(result.boots)} power-up{'' if len(result.boots) == 1 else 's'}"
    flown = timedelta(seconds=round(result.duration_s))
    say(f"Flew {flown} h in {result.host_s:.0f} s, {power_ups}: a simulated flight. {on_what(result.runtime)}")
    if gnss_stream is None:
        for line in lines_of_flight(loaded, result.facts):
            say(line)
    images = [folder / name for name in ("card.img", "flash.img") if (folder / name).is_file()]
    say(f"Wrote {', '.join(map(str, images))} and {folder / 'truth.parquet'}.")
    say(f"Next: thistledown decode {' '.join(quote(str(image)) for image in images)} -o {quote(str(folder))}")


def _write_new(file: Path, *, force: bool) -> None:
    from ground.output_folder import claim_file
    from ground.simulator.scenario_text import new_scenario_text

    claim_file(file, force=force)
    file.write_text(new_scenario_text(), encoding="utf-8")
    say(f"Wrote {file}. Put your own flight into it, then: thistledown fly {quote(str(file))}")

"""`thistledown bench`: a board on the table, from the first reading to GO or NO-GO."""

import sys
from pathlib import Path
from typing import Annotated, Literal

import typer

from ground.commands.board_port import PORT

_FOLDER = Path("bench")


def _typed(option: str, help: str):
    return typer.Option(option, metavar="NUMBER", show_default=False, help=help)


def bench(
    port: Annotated[str | None, PORT] = None,
    check: Annotated[bool, typer.Option("--check", help="No live view and no questions: the checks alone.")] = False,
    web: Annotated[bool, typer.Option("--web", help="Live plots on a page of this computer.")] = False,
    web_port: Annotated[int, typer.Option(metavar="N", help="Port of that page; 0: any.", min=0, max=65535)] = 0,
    settings: Annotated[
        Path | None, typer.Option(metavar="FILE", show_default=False, help="The board's settings, as installed.")
    ] = None,
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE", show_default=False, help="Panel, load and battery as planned.")
    ] = None,
    new_plan: Annotated[
        Path | None, typer.Option(metavar="FILE", show_default=False, help="Write a commented plan; stop.")
    ] = None,
    cold: Annotated[
        Path | None,
        typer.Option(metavar="CARD", show_default=False, help="Judge the log of a cold run: image, folder or log."),
    ] = None,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="Folder of the bench record.")] = _FOLDER,
    seconds: Annotated[float, typer.Option(metavar="S", help="How long to listen.", min=20.0, max=86400.0)] = 120.0,
    speed: Annotated[
        float, typer.Option(metavar="X", help="Of a simulated board: so many times as fast.", min=0.1, max=50.0)
    ] = 1.0,
    station_pressure: Annotated[
        str | None, _typed("--station-pressure", "Pressure at your place, not reduced to sea level. [hPa]")
    ] = None,
    qnh: Annotated[str | None, _typed("--qnh", "Pressure that the nearest airfield gives as QNH. [hPa]")] = None,
    elevation: Annotated[str | None, _typed("--elevation", "Height of the table above sea level. [m]")] = None,
    thermometer: Annotated[str | None, _typed("--thermometer", "Another thermometer, beside the probes. [°C]")] = None,
    panel_volts: Annotated[str | None, _typed("--panel-volts", "Multimeter across the panel's load. [V]")] = None,
    panel_ma: Annotated[str | None, _typed("--panel-ma", "Multimeter between panel and shunt. [mA]")] = None,
    battery_volts: Annotated[str | None, _typed("--battery-volts", "Multimeter at the battery, running. [V]")] = None,
    battery_rest_volts: Annotated[
        str | None, _typed("--battery-rest-volts", "Multimeter at the battery, board off. [V]")
    ] = None,
    ice_bath: Annotated[
        str | None,
        typer.Option(metavar="PROBES", show_default=False, help="In melting ice: outside, inside, or outside,inside."),
    ] = None,
    warmed: Annotated[
        str | None, typer.Option(metavar="PROBE", show_default=False, help="The probe that you warm by hand.")
    ] = None,
    side_by_side: Annotated[bool, typer.Option("--side-by-side", help="All thermometers lie together.")] = False,
    indoors: Annotated[bool, typer.Option("--indoors", help="No sky here: a missing fix is a warning.")] = False,
    sounder: Annotated[Literal["heard", "silent"] | None, typer.Option(show_default=False, help="Heard?")] = None,
    led: Annotated[Literal["seen", "dark"] | None, typer.Option(show_default=False, help="Seen?")] = None,
    calibrate: Annotated[
        str | None,
        typer.Option(
            metavar="WHAT", show_default=False,
            help="Keep calibration points: pressure, outside, inside, volts, current, battery, with commas between.",
        ),
    ] = None,
) -> None:  # fmt: skip
    """Listen to the board on the table and judge it: GO or NO-GO, with reasons and what to do.

    Numbers may carry their uncertainty: 1003.2+-0.5. Writes bench.json, which decode uses,
    and bench.html to print. Exit
    status 0 is GO, 1 NO-GO. Cover the panel before you change a wire; keep lithium cells where a fire would do no harm.

    \b
    Examples:
      thistledown bench --port sim --check
      thistledown bench --port /dev/ttyACM0 --web --plan box.toml --qnh 1017 --elevation 388
      thistledown bench --cold card.img --plan box.toml
    """
    from ground.bench import run
    from ground.bench.preparation import answers_from

    if new_plan is not None:
        run.write_plan(new_plan)
        return
    typed = {
        "station_pressure_hpa": station_pressure, "qnh_hpa": qnh, "elevation_m": elevation,
        "thermometer_c": thermometer,
        "panel_volts": panel_volts, "panel_ma": panel_ma, "battery_volts": battery_volts,
        "battery_rest_volts": battery_rest_volts,
    }  # fmt: skip
    answers = answers_from(
        typed, ice_bath=ice_bath, warmed=warmed, sounder=sounder, led=led, side_by_side=side_by_side, indoors=indoors
    )
    if cold is not None:
        if port is not None or calibrate is not None:
            wrong = "--port" if port is not None else "--calibrate"
            raise typer.BadParameter(f"judges a log and asks no board; leave out {wrong}", param_hint="--cold")
        judgement = run.run_cold(cold, settings, plan, out)
    elif port is None:
        from ground.bench.link_port import usb_ports

        raise typer.BadParameter(
            f"name the board's port ({usb_ports()}), or sim for a simulated board", param_hint="--port"
        )
    else:
        wanted = tuple(word.strip() for word in calibrate.split(",") if word.strip()) if calibrate else ()
        view = "none" if check else "terminal" if sys.stdout.isatty() else "none"
        asks = not check and sys.stdin.isatty() and sys.stdout.isatty()
        judgement = run.run_bench(
            port, settings, plan, answers, out, seconds=seconds, view=view, asks=asks, calibrate=wanted,
            web_port=web_port if web else None, speed=speed,
        )  # fmt: skip
    if not judgement.is_go:
        raise typer.Exit(1)

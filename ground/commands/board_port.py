"""The option by which a command is told where the board is."""

import typer

PORT = typer.Option(
    "--port",
    "-p",
    metavar="PORT",
    show_default=False,
    help="The board's serial port, say /dev/ttyACM0 or COM5; sim: a simulated board, no hardware needed.",
)

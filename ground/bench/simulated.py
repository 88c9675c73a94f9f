"""The port that is no port: `sim` is a simulated board, `sim:SCENARIO` one in that scenario."""

from contextlib import contextmanager

from ground.errors import InputError

SIMULATED = "sim"
_SCENARIO = "calm"


def simulated_board(port, **arguments):
    """A SerialBoard that is not started yet, or None if the port is that of a real board."""
    if port != SIMULATED and not port.startswith(f"{SIMULATED}:"):
        return None
    from ground.simulator.scenario import load_scenario

    try:
        from ground.simulator.serial_board import SerialBoard
    except ImportError:  # a system without pseudo-terminals
        raise InputError(
            "the simulated board needs a Linux or macOS computer; connect a real one and name its port"
        ) from None
    return SerialBoard(load_scenario(port[len(SIMULATED) + 1 :] or _SCENARIO), **arguments)


@contextmanager
def at_port(port, **arguments):
    """The port to open; a simulated board is there meanwhile."""
    board = simulated_board(port, **arguments)
    if board is None:
        yield port
        return
    with board:
        yield board.port

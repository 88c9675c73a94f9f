"""Starts the flight computer, and never comes back. The board runs this at power-up."""

from firmware.core import spare

SETTINGS_PATH = "settings.json"


def main() -> None:
    """Fly. What no task could be blamed for ends in a reset of the board, by our own word for it."""
    try:
        computer = _started()
        spare.forget(spare.STARTING)
        spare.forget_constructors()
        computer.schedule.tidy()
        computer.schedule.run()
    except Exception as error:
        _start_over(error)


def _started():
    """The flight computer with everything running but the loop."""
    from firmware import start_up
    from firmware.board import Board, reset_causes
    from firmware.core import settings as settings_file
    from firmware.core.boots import Boots, reset_cause

    boots = Boots()
    now, power_on, watchdog = reset_causes()
    cause = reset_cause(now, power_on, watchdog, boots.own_reset)
    boots.power_up()
    settings = settings_file.load(SETTINGS_PATH)
    board = Board(settings)
    board.start_watchdog()
    computer = start_up.build(board, settings, boots, cause)
    start_up.start(computer, board, settings, boots, cause)
    return computer


def _start_over(error):
    from firmware.board import reset
    from firmware.core import last_words
    from firmware.core.boots import Boots

    last_words.save(error)
    Boots().mark_own_reset()
    reset()

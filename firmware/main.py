"""Starts the flight computer, and never comes back. The board runs this at power-up."""

from firmware.board import Board, reset, reset_causes
from firmware.core import last_words, spare
from firmware.core.boots import Boots, reset_cause

SETTINGS_PATH = "settings.json"

_STARTING = ("firmware.start_up", "firmware.core.settings")


def main() -> None:
    """Fly. What no task could be blamed for ends in a reset of the board, by our own word for it."""
    boots = Boots()
    cause = reset_cause(*reset_causes(), boots.own_reset)
    boots.power_up()
    try:
        computer = _started(boots, cause)
        spare.forget(_STARTING)
        computer.schedule.tidy()
        computer.schedule.run()
    except Exception as error:
        last_words.save(error)
        boots.mark_own_reset()
        reset()


def _started(boots, cause):
    """The flight computer with everything running but the loop."""
    from firmware import start_up
    from firmware.core import settings as settings_file

    settings = settings_file.load(SETTINGS_PATH)
    board = Board(settings.values)
    board.start_watchdog()
    computer = start_up.build(board, settings, boots, cause)
    start_up.start(computer, board, settings, boots, cause)
    return computer

"""Starts the flight computer, and never comes back. The board runs this at power-up."""

from firmware.board import Board, reset, reset_causes
from firmware.core import boots as boots_file
from firmware.core import last_words
from firmware.core import settings as settings_file
from firmware.flight_computer import FlightComputer

SETTINGS_PATH = "settings.json"


def main() -> None:
    """Fly. What no task could be blamed for ends in a reset of the board, by our own word for it."""
    boots = boots_file.Boots()
    cause = boots_file.reset_cause(*reset_causes(), boots.own_reset)
    boots.power_up()
    try:
        settings = settings_file.load(SETTINGS_PATH)
        board = Board(settings)
        board.start_watchdog()
        computer = FlightComputer(board, settings, boots, cause)
        computer.start()
        computer.schedule.run()
    except Exception as error:
        last_words.save(error)
        boots.mark_own_reset()
        reset()

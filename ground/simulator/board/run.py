"""One boot of the virtual board: `micropython run.py board.json`, or the same with CPython.

Reads the board's description, puts the virtual modules in place, imports `firmware.main` and calls `main()`. The boot
ends when the clock or the card says so; then the last line on standard error is a JSON object behind "END ". Lines
behind "AT " come every minute of world time and say how far it is, in seconds. Standard output belongs to the
firmware: it is the board's USB serial port.

An exception that leaves `main()` is noted; the board then does what a real one does: nothing, until the watchdog
(if it was started) or the world ends it.
"""

import json
import sys

_PROGRESS_US = 60000000


def main(path):
    with open(path) as file:
        description = json.load(file)
    for folder in reversed(description["import_folders"]):
        sys.path.insert(0, folder)
    from ground.simulator.board.assembly import Board
    from ground.simulator.board.clock import EndOfWorld
    from ground.simulator.board.machine_module import install

    board = Board(description)
    clock = board.clock
    clock.at(description["end_us"], lambda: clock.end(EndOfWorld("at its end")))
    _keep_reporting(clock)
    _enter_flash(description, board)
    install(board)
    _finish(board, description, *_fly(clock))


def _fly(clock):
    """Run the firmware to the ending of the boot. Gives the ending and the text of an exception that escaped."""
    from ground.simulator.board.clock import Ending

    escaped = None
    try:
        try:
            from firmware.main import main as firmware_main

            firmware_main()
            escaped = "main() returned, and it never should"
        except Exception as error:
            escaped = _text_of(error)
        while True:
            clock.advance(1000000)
    except Ending as ending:
        return ending, escaped


def _keep_reporting(clock):
    def report():
        sys.stderr.write("AT %d\n" % (clock.now_us // 1000000))
        clock.at(clock.now_us + _PROGRESS_US, report)

    clock.at(clock.now_us, report)


def _enter_flash(description, board):
    """The board's own flash is the current directory; under CPython the card needs a stand-in for MicroPython's vfs."""
    import os

    if board.flash is not None:
        from ground.simulator.board.flash_mount import FOLDER, mount

        mount(board.flash)
        os.chdir(FOLDER)
    else:
        os.chdir(description["flash_folder"])
    if sys.implementation.name != "micropython":
        from ground.simulator.board.cpython_vfs import install as install_vfs

        install_vfs()


def _finish(board, description, ending, escaped):
    from ground.simulator.board.watchdog import WDT

    board.close()
    if description.get("state_out"):
        with open(description["state_out"], "w") as file:
            json.dump(board.save(), file)
    ledger, watchdog = board.ledger, WDT.running
    report = {
        "reason": ending.reason,
        "detail": str(ending.args[0]) if ending.args else "",
        "world_us": board.clock.now_us,
        "counts": ledger.counts,
        "block_writes": board.card.write_count,
        "block_reads": board.card.read_count,
        "flash": board.flash_figures(),
        "heap": board.heap.looks,
        "objections": ledger.objections,
        "objection_count": ledger.objection_count,
        "escaped": escaped,
        "watchdog_feed_longest_ms": watchdog.longest_us // 1000 if watchdog else None,
        "specimens": board.specimens(),
        "interpreter": "%s %d.%d.%d" % ((sys.implementation.name,) + tuple(sys.implementation.version[:3])),
    }
    sys.stderr.write("END " + json.dumps(report) + "\n")


def _text_of(error):
    """The traceback, on either interpreter."""
    if hasattr(sys, "print_exception"):
        import io

        text = io.StringIO()
        sys.print_exception(error, text)
        return text.getvalue()
    import traceback

    return traceback.format_exc()


main(sys.argv[1])

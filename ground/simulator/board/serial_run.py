"""One start of the virtual board behind a serial line: `micropython serial_run.py board.json`, at a terminal.

As on a real board: main.py of the flash runs, unless the start is a soft reset out of the raw REPL; whatever ends it
(the stop key, an error) leaves the REPL, which is MicroPython's own. What the board has and this port lacks or does
differently is stood in for here, and nothing else:

- time: world time is held to the time of the computer (times `speed`), never faster. Time at the REPL counts when the
  watchdog is next looked at.
- `micropython.kbd_intr` switches the terminal's stop key, because the port's own would let it kill the process.
- A power cut, the watchdog or machine.reset() ends the process; `report.json` says why, and serial_board.py starts the
  next one.
"""

import json
import sys

_PACE_US = 5000
_LATE_US = 50000  # more than that is not caught up with: the world then just goes slower
_ISIG = 0x80 if sys.platform == "darwin" else 0x01  # not among this port's names
_AWAY_US = 1000000  # nothing ran for so long: the REPL had the board


def main(path):
    with open(path) as file:
        description = json.load(file)
    for folder in reversed(description["import_folders"]):
        sys.path.insert(0, folder)
    from ground.simulator.board.assembly import Board

    board = Board(description)
    ending = _Ending(board, description)
    board.clock.end = ending.end
    sys.atexit(ending.write)
    pace = _Pace(board.clock, description["speed"])
    _put_in_place(board, pace, description)
    _start(description)


def _put_in_place(board, pace, description):
    import os

    from ground.simulator.board.clock import EndOfWorld
    from ground.simulator.board.machine_module import Module, install
    from ground.simulator.board.watchdog import WDT

    clock = board.clock
    clock.at(description["end_us"], lambda: clock.end(EndOfWorld("at its end")))
    _enter_flash(board, description)
    os.putenv("MICROPYINSPECT", "1")  # the REPL, once this script is through
    micropython = Module("micropython", sys.modules.get("micropython") or __import__("micropython"))
    micropython.kbd_intr = _stop_key
    install(board)
    sys.modules["micropython"] = micropython
    _stop_key(3)
    pace.begin()
    feed = WDT.feed

    def fed(self):
        pace.catch_up()
        feed(self)

    WDT.feed = fed
    if description.get("watchdog_left_us") is not None:
        _carry_on(WDT, clock, description["watchdog_left_us"])


def _enter_flash(board, description):
    """The board's own flash is the current directory; the first start finds in it what it was made with."""
    import os

    if board.flash is None:
        os.chdir(description["flash_folder"])
    else:
        from ground.simulator.board.flash_mount import FOLDER, make, mount

        try:
            mount(board.flash)
        except OSError:  # as a board does that finds none
            make(board.flash)
            mount(board.flash)
        os.chdir(FOLDER)
    if description["boot"] == 1:
        for name, text in description["files"].items():
            with open(name, "w") as file:
                file.write(text)


def _start(description):
    """The board's own folders first, and nothing of this computer's behind them but what the description allows."""
    for folder in description["import_folders"]:
        sys.path.remove(folder)
    sys.path[:] = ["", "lib"] + description["firmware_folders"]
    if description["runs_main"]:
        try:
            with open("main.py") as file:
                program = file.read()
        except OSError:
            return
        exec(program, {"__name__": "__main__"})


class _Ending:
    """Why the process ends, written down when it does; "soft" if it was the REPL's own key."""

    def __init__(self, board, description):
        self._board = board
        self._path = description["report"]
        self._reason = "soft"
        self._detail = ""

    def end(self, ending):
        clock = self._board.clock
        if clock.ending is None:
            self._reason = ending.reason
            self._detail = str(ending.args[0]) if ending.args else ""
            clock.ending = SystemExit()
            clock.alarm_us = -1
        raise clock.ending

    def write(self):
        from ground.simulator.board.watchdog import WDT

        board = self._board
        now_us = board.clock.now_us
        watchdog = WDT.running
        left_us = watchdog._timeout_us - (now_us - watchdog._fed_us) if watchdog else None
        board.close()
        report = {
            "reason": self._reason, "detail": self._detail, "world_us": now_us, "state": board.save(),
            "watchdog_left_us": left_us, "objections": board.ledger.objections,
            "block_writes": board.card.write_count, "flash": board.flash_figures(),
        }  # fmt: skip
        with open(self._path, "w") as file:
            json.dump(report, file)


class _Pace:
    """Holds world time to this computer's."""

    def __init__(self, clock, speed):
        import time

        self._host_us = time.ticks_us
        self._host_diff = time.ticks_diff
        self._host_sleep_us = time.sleep_us
        self._clock = clock
        self._speed = speed
        self._step_us = int(_PACE_US * max(speed, 1))
        self._world_us = 0
        self._ticks = 0

    def begin(self):
        self._rest()
        self._clock.at(self._clock.now_us + _PACE_US, self._step)

    def catch_up(self):
        """Let the time pass that nothing of the board ran in."""
        ahead_us = self._ahead_us()
        behind_us = -int(ahead_us / self._speed)  # of this computer's time
        if behind_us > _AWAY_US:
            self._rest()
            self._clock.advance(behind_us)

    def _step(self):
        ahead_us = self._ahead_us()
        if ahead_us < -_LATE_US * self._speed:
            self._rest()
        elif ahead_us > 0:
            self._host_sleep_us(int(ahead_us / self._speed))
        self._clock.at(self._clock.now_us + self._step_us, self._step)

    def _ahead_us(self):
        """World time before the computer's, in world time."""
        passed = self._host_diff(self._host_us(), self._ticks) * self._speed
        ahead_us = self._clock.now_us - self._world_us - passed
        if passed > 100000000:  # ticks wrap
            self._ticks = self._host_us()
            self._world_us = self._clock.now_us - int(ahead_us)
        return ahead_us

    def _rest(self):
        self._ticks = self._host_us()
        self._world_us = self._clock.now_us


def _carry_on(WDT, clock, left_us):
    """A watchdog runs on over a soft reset, until the program takes hold of it."""

    def bark():
        if WDT.running is None:
            from ground.simulator.board.clock import WatchdogReset

            clock.end(WatchdogReset("not fed after a soft reset"))

    clock.at(clock.now_us + left_us, bark)


def _stop_key(key):
    """micropython.kbd_intr: whether the terminal turns byte 3 into an interruption."""
    import termios

    mode = termios.tcgetattr(0)
    mode[3] = mode[3] | _ISIG if key == 3 else mode[3] & ~_ISIG
    termios.tcsetattr(0, termios.TCSANOW, mode)


main(sys.argv[1])

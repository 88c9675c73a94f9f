"""Runs one boot of the virtual board in its interpreter and brings home its report."""

import json
import subprocess
import threading
from pathlib import Path

RUN_SCRIPT = Path(__file__).parent / "board" / "run.py"
FORMAT_SCRIPT = Path(__file__).parent / "board" / "format_card.py"
FLASH_SCRIPT = Path(__file__).parent / "board" / "format_flash.py"
STALL_S = 120  # of the laptop's time without a minute of world time: the firmware no longer lets time pass
_CONSOLE_TAIL = 2000


class BoardFailure(RuntimeError):
    """The simulator or the firmware broke in a way that no flight could: no report came back."""


def run_boot(interpreter, description, scratch, on_time):
    """One boot.

    Parameters
    ----------
    interpreter : Interpreter
    description : dict
        See board_description.py.
    scratch : pathlib.Path
        Folder for the description, the console and whatever else is thrown away.
    on_time : callable
        on_time(world_s), every minute of world time. [s]

    Returns
    -------
    dict
        The report of board/run.py.

    Raises
    ------
    BoardFailure
        If the process dies without a report, or world time stands still.
    """
    path = scratch / "board.json"
    path.write_text(json.dumps(description), encoding="utf-8")
    report, other = None, []
    with open(scratch / "console.txt", "ab") as console:
        process = subprocess.Popen(
            [*interpreter.command, str(RUN_SCRIPT), str(path)], stdout=console, stderr=subprocess.PIPE, cwd=scratch
        )
        assert process.stderr is not None
        stalled = _Watch(process)
        try:
            for raw in process.stderr:
                line = raw.decode("utf-8", "replace").rstrip("\n")
                if line.startswith("AT "):
                    stalled.rest()
                    on_time(int(line[3:]))
                elif line.startswith("END "):
                    report = json.loads(line[4:])
                else:
                    other.append(line)
        finally:
            stalled.stop()
            if process.poll() is None and report is None:
                process.kill()
            process.wait()
    if report is None:
        raise BoardFailure(_what_happened(process, stalled, other, scratch))
    return report


def format_card(interpreter, image, import_folder, free_mib=None):
    """Put a FAT volume on an image file that has the card's size: empty, or with files that leave `free_mib` free."""
    room = () if free_mib is None else (int(free_mib * 2**20),)
    _format(interpreter, "the card", FORMAT_SCRIPT, image, import_folder, *room)


def format_flash(interpreter, image, import_folder, settings_path):
    """Put littlefs with settings.json on an image of the flash, unless it is there. MicroPython only."""
    _format(interpreter, "the flash", FLASH_SCRIPT, image, import_folder, settings_path)


def _format(interpreter, what, script, *arguments):
    run = subprocess.run([*interpreter.command, str(script), *map(str, arguments)], capture_output=True, text=True)
    if run.returncode:
        raise BoardFailure(f"{what} could not be formatted: {(run.stderr or run.stdout).strip()[-500:]}")


class _Watch:
    """Kills a process that gives no sign of life."""

    def __init__(self, process):
        self._process = process
        self.barked = False
        self._timer = None
        self.rest()

    def rest(self):
        self.stop()
        self._timer = threading.Timer(STALL_S, self._bark)
        self._timer.daemon = True
        self._timer.start()

    def stop(self):
        if self._timer is not None:
            self._timer.cancel()

    def _bark(self):
        self.barked = True
        self._process.kill()


def _what_happened(process, stalled, other, scratch):
    if stalled.barked:
        return f"the firmware let no time pass for {STALL_S} s: a loop without a sleep or a transfer"
    console = (scratch / "console.txt").read_text(encoding="utf-8", errors="replace")[-_CONSOLE_TAIL:]
    said = "\n".join(other[-20:]) or console or "nothing was said"
    return f"the board's process ended with status {process.returncode} and no report: {said}"

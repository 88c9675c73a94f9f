"""One session on the bench: the flight computer as firmware/main.py starts it, with the line to the ground tied in.

Every frame that a part hands to the framer goes into the log as always, and a copy under the session's salt up the
line. For that the framer's put() is exchanged before the parts are made, so that flying costs nothing for the bench.
"""

import os
import sys
from binascii import crc32

import firmware
from firmware import VERSION, start_up
from firmware.bench.link_task import LinkTask
from firmware.bench.orders import Orders
from firmware.bench.outbox import Outbox
from firmware.bench.usb_line import UsbLine
from firmware.board import Board, reset, reset_causes
from firmware.core import settings as settings_file
from firmware.core import spare
from firmware.core.boots import Boots, reset_cause
from firmware.core.framer import Framer
from shared_protocol import events, link

TYPE_CHECKING = False  # type checkers take this name as true; the board never imports the hints
if TYPE_CHECKING:
    from typing import Any

_SETTINGS_PATH = "settings.json"
_LIST_NAME = "files.txt"  # what was installed, beside the package firmware
_LOG_OPEN = 1
_DEFAULTED = 2
_REST_MS = 1  # at least, so that the port's own work gets its turn


class Session:
    """run() goes on until the ground says stop. If the ground falls silent, the board starts over and flies."""

    def __init__(self, line: UsbLine):
        self._number = int.from_bytes(os.urandom(4), "little")
        self._outbox = Outbox(link.link_salt(self._number))
        self._line = line
        _tap(self._outbox)
        boots = Boots()
        now, power_on, watchdog = reset_causes()
        cause = reset_cause(now, power_on, watchdog, boots.own_reset)
        boots.power_up()
        settings = settings_file.load(_SETTINGS_PATH)
        self._settings = settings
        self._board = Board(settings)
        self._board.start_watchdog()
        self._computer = start_up.build(self._board, settings, boots, cause)
        start_up.start(self._computer, self._board, settings, boots, cause)
        self._build = _build_id()

    def run(self) -> None:
        """The loop."""
        computer = self._computer
        now = computer.clock.now
        orders = Orders(computer, self._board)
        task = LinkTask(self._line, self._outbox, orders, self._number, self._about, now())
        computer.add(task, events.SYSTEM, now())
        spare.forget(spare.STARTING)
        schedule = computer.schedule
        schedule.tidy()
        turn = schedule.turn
        sleep_ms = self._board.sleep_ms
        try:
            while not task.is_over and not task.is_left:
                pause = turn()
                task.counted_turn()
                sleep_ms(pause if pause > _REST_MS else _REST_MS)
        finally:
            orders.end()
        if task.is_left:
            Boots().mark_own_reset()
            reset()

    def _about(self):
        settings = self._settings
        logbook = self._computer.logbook
        flags = (_LOG_OPEN if logbook.is_open else 0) | (_DEFAULTED if settings.replaced else 0)
        version = ".".join([str(part) for part in getattr(sys.implementation, "version")[:3]]).encode()
        rest = (
            logbook.boot, logbook.log_id, settings.crc, self._build, self._board.unique_id(), version, _machine_name(),
        )  # fmt: skip
        return flags, VERSION[0] * 256 + VERSION[1], rest


def _tap(outbox):
    """Let every record that goes into the log go into the outbox as well."""
    put_in_log = Framer.put

    def put(self, frame, t_ms):
        seq = self.seq
        put_in_log(self, frame, t_ms)
        outbox.take(frame, seq, t_ms)

    Framer.put = put  # type: ignore[method-assign]


def _build_id():
    """Which files are installed: the CRC-32 of their list, 0 without one."""
    path: "Any" = firmware.__path__
    folder = path if isinstance(path, str) else path[0]  # CPython has a list
    try:
        with open(folder[: -len("firmware")] + _LIST_NAME, "rb") as file:
            return crc32(file.read())
    except OSError:
        return 0


def _machine_name():
    return getattr(sys.implementation, "_machine", sys.platform).encode()[:36]

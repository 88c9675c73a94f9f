"""A bench session: listens to a board, asks it what only it can find out, and hands all of it to the checks.

Time here is the board's: a simulated board may run faster or slower than the clock on the wall.
"""

import time
from dataclasses import replace

from ground.bench.judge import judge
from ground.errors import InputError

_PAUSE_S = 0.05
_TABLES_EVERY_S = 0.3
_TABLES_SHARE = 0.2  # of the time goes into making tables at most: in a long run they take longer
_SILENT_S = 60.0  # of this computer's time without a frame; the link has been trying to get the board back meanwhile
CARD_TEST_SECTORS = 64
# Orders of the bench and when in the run they are given: early enough to be answered, late enough not to disturb the
# first look. Shares of the whole.
_ORDERS: tuple[tuple[float, str, dict], ...] = (
    (0.0, "introduce", {}), (0.05, "bus_scan", {}), (0.55, "card_test", {"sectors": CARD_TEST_SECTORS}),
    (0.8, "memory", {}), (0.85, "airborne", {}))  # fmt: skip


class Session:
    """One board from the first frame to the verdict.

    Parameters
    ----------
    board : BoardLink
    evidence : Evidence
        What is known beforehand: settings, plan, answers. Its tables are ignored.
    seconds : float
        How long to listen, in the board's time. [s]
    """

    def __init__(self, board, evidence, seconds):
        self.board = board
        self.seconds = seconds
        self._latest = replace(evidence, tables={}, simulated=board.simulated)
        self._answers = evidence.answers
        self._replies = {}
        self._given = 0
        self._first_ms = None
        self._last_ms = None
        self._count = -1
        self._tables_s = 0.0
        self._news_s = time.monotonic()

    def step(self):
        """Take in what came; give the board the next order when its time has come.

        Raises
        ------
        InputError
            If the line is lost for good or the board stays silent.
        """
        now_s = time.monotonic()
        count = self.board.poll()
        if count != self._count and now_s >= self._tables_s:
            self._count = count
            self._look()
            took_s = time.monotonic() - now_s
            self._tables_s = now_s + max(_TABLES_EVERY_S, took_s / _TABLES_SHARE)
        if now_s - self._news_s > _SILENT_S:
            raise InputError(
                f"{self.board.port}: the board has said nothing for {_SILENT_S:.0f} s; look at its cable and its "
                "light, and start the bench again"
            )
        while self._given < len(_ORDERS) and self._first_ms is not None and self.share >= _ORDERS[self._given][0]:
            _, name, arguments = _ORDERS[self._given]
            self._given += 1
            self.order(name, **arguments)

    def _look(self):
        self._latest = replace(
            self._latest, tables=self.board.tables(), host=list(self.board.moments), statistics=self.board.statistics
        )
        newest = self._latest.last_ms
        if newest and newest != self._last_ms:
            if self._first_ms is None or newest < self._first_ms:  # the board has started again
                self._first_ms = newest
            self._last_ms = newest
            self._news_s = time.monotonic()

    def order(self, name, **arguments):
        """Give an order; its answer with the arguments, None if there was none. The verdicts of the checks use it."""
        try:
            reply = arguments | self.board.command(name, **arguments)
        except InputError:  # a pulled cable; if it stays out, step() says so
            return None
        self._replies[name] = reply
        return reply

    @property
    def share(self):
        """How much of the run is over, 0 to 1."""
        if self._first_ms is None or self._last_ms is None:
            return 0.0
        return min((self._last_ms - self._first_ms) / 1000.0 / self.seconds, 1.0)

    @property
    def since_news_s(self):
        """How long ago the newest frame came, on this computer's clock. [s]"""
        return time.monotonic() - self._news_s

    @property
    def evidence(self):
        """What is known by now."""
        return replace(self._latest, replies=dict(self._replies), answers=self._answers)

    def answer(self, **fields):
        """A person said something more: fields of Answers."""
        self._answers = replace(self._answers, **fields)

    def judgement(self):
        """What the checks say by now."""
        return judge(self.evidence)

    def run(self, shown=None, every_s=0.5):
        """Listen to the end; `shown(self)` is called now and then."""
        next_s = 0.0
        while self.share < 1.0:
            self.step()
            if shown is not None and time.monotonic() >= next_s:
                next_s = time.monotonic() + every_s
                shown(self)
            time.sleep(_PAUSE_S)
        self._look()


def board_facts(board):
    """What the board says of itself, as the record names it."""
    hello = board.hello
    return {
        "id": hello.board_id, "firmware": hello.firmware, "build": hello.build, "micropython": hello.micropython,
        "machine": hello.machine, "settings_crc": hello.settings_crc, "boot": hello.boot, "port": board.port,
        "simulated": board.simulated,
    }  # fmt: skip

"""A board that is played back: tables of a simulated run let out again as time passes, with the link's interface."""

import time
from types import SimpleNamespace

import numpy as np


class ReplayBoard:
    """Same doors as ground.bench.link.BoardLink, without a line.

    Parameters
    ----------
    evidence : Evidence
        Whose tables are played.
    speed : float
        Board time by this computer's.
    replies : dict of str to dict
        Answers to commands; others are "unknown".
    """

    def __init__(self, evidence, speed=1.0, replies=None):
        self._all = evidence.tables
        self._speed = speed
        self._replies = replies or {}
        self._began = time.monotonic()
        self.asked = []
        self.moments = []
        self.port = "replay"
        self.simulated = True
        self.is_connected = True
        self.statistics = {"frames_ok": 0}
        boot = evidence.words("boot", "board_id")
        self.hello = SimpleNamespace(
            board_id=boot[-1], firmware="0.1", build=None, micropython="1.28.0", machine="replay", boot=1,
            settings_crc=evidence.words("boot", "settings_crc")[-1],
        )  # fmt: skip

    def _now_ms(self):
        return (time.monotonic() - self._began) * 1000 * self._speed

    def poll(self):
        now = self._now_ms()
        return sum(int((np.asarray(table["t_ms"]) <= now).sum()) for table in self._all.values())

    def tables(self):
        now = self._now_ms()
        return {name: table.take(np.flatnonzero(table["t_ms"] <= now)) for name, table in self._all.items()}

    def command(self, name, **arguments):
        self.asked.append((name, arguments))
        return self._replies.get(name, {"status": "unknown", "t_ms": 0})

    def close(self):
        pass

"""The columns that every table begins with: boot, t_ms and utc, and from which copy a row is where there are two."""

import numpy as np

from ground.decode.clock_wrap import counted_on
from ground.decode.copies import CARD, FLASH
from ground.decode.frames.wire import KIND_OF_NAME
from ground.decode.readings import happenings
from ground.decode.table import Moments, Table, Words


class Stamper:
    """Gives each table `boot`, `t_ms` and `utc`, and the flight's rows only, boot by boot in order of time.

    Where a card and the second copy were merged (`origin.is_merged`) also `recovered_from`.
    """

    def __init__(self, records, boots, lines, origin=None, wraps=()):
        self._records = records
        self._wraps = dict(wraps)
        self._origin = origin if origin is not None and origin.is_merged else None
        self._rank = np.full(len(records.keys.pairs), -1, dtype=np.int64)
        for rank, boot in enumerate(boots):
            self._rank[boot.key] = rank
        self._number = np.array([boot for _log, boot in records.keys.pairs], dtype=np.int64)
        self._begin_ms, self._rate = np.zeros(len(self._rank)), np.zeros(len(self._rank))
        self._known = np.zeros(len(self._rank), dtype=bool)
        for key, line in lines.items():
            if line is not None:
                self._begin_ms[key], self._rate[key], self._known[key] = line.begin_ms, line.rate, True

    def order(self, keys, t_ms, seq):
        """Rows of the flight by boot, time and sequence; index array."""
        mine = np.flatnonzero(self._rank[keys] >= 0)
        t_ms = counted_on(self._wraps, keys, t_ms)
        return mine[np.lexsort((seq[mine], t_ms[mine], self._rank[keys[mine]]))]

    def kind_order(self, name):
        """The same for a record type whose rows are in the order of the log already; a slice where all rows stay."""
        keys = self._records.row_keys[KIND_OF_NAME[name]]
        rank = self._rank[keys]
        if len(rank) and rank[0] >= 0 and (rank[1:] >= rank[:-1]).all():
            return slice(None)  # nothing is copied
        mine = np.flatnonzero(rank >= 0)
        return mine[np.argsort(rank[mine], kind="stable")]

    def kind_table(self, table, order):
        """A table of one record type, stamped."""
        kind = KIND_OF_NAME[table.name]
        rows = self._records.rows[kind]
        return self.table(table, self._records.row_keys[kind], rows["_t_ms"].astype(np.int64), order, rows["_seq"])

    def notes(self):
        """Notes, which are fewer than their records."""
        table, firsts = happenings.note(self._records)
        kind = KIND_OF_NAME["note"]
        keys = self._records.row_keys[kind][firsts]
        t_ms = self._records.rows[kind]["_t_ms"].astype(np.int64)[firsts]
        rank = self._rank[keys]
        mine = np.flatnonzero(rank >= 0)
        seq = self._records.rows[kind]["_seq"][firsts]
        return self.table(table, keys, t_ms, mine[np.argsort(rank[mine], kind="stable")], seq)

    def table(self, table, keys, t_ms, order, seq):
        """`table` in the given order with the common columns in front."""
        keys, t_ms = keys[order], counted_on(self._wraps, keys[order], t_ms[order])
        known = self._known[keys]
        ms = np.round(self._begin_ms[keys] + self._rate[keys] * t_ms).astype(np.int64)
        common = {"boot": self._number[keys], "t_ms": t_ms, "utc": Moments(ms, known)}
        about = {
            "boot": {"meaning": "power-up number of the board"},
            "t_ms": {"unit": "ms", "meaning": "since that boot"},
            "utc": {"unit": "UTC", "meaning": "ISO 8601, from the boot's line fitted to GPS time; null if unknown"},
        }
        if self._origin:
            common["recovered_from"] = Words(self._origin.found_in(keys, seq[order], t_ms), [CARD, FLASH])
            about["recovered_from"] = {
                "meaning": "card, or flash where only the thinned second copy in the board's flash has this row"
            }
        return Table(table.name, common | table.take(order).columns, about | table.about)

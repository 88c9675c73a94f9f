"""What the checks look at: the board's tables, its settings, the plan, the person's answers, what the link said.

Tables are `ground.decode.table.Table` by name, as a flight folder has them, whether they came over the wire or off a
card. The helpers here give plain arrays; a table or a column that is not there is an empty array, never an error.
"""

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ground.bench.answers import Answers
from ground.bench.plan import Plan
from ground.decode.table import Maybe, Moments, Words
from ground.settings import Settings

_SUSPECT = ("bus_error", "after_reset", "never_converted", "frozen", "no_calibration")


@dataclass(frozen=True)
class Evidence:
    """Everything known at the moment of judging.

    Attributes
    ----------
    tables : dict of str to Table
    settings : Settings
        As the person at the bench has them in the file; `settings_crc` is the CRC-32 of their JSON,
        if a file was given.
    plan : Plan
    answers : Answers
    replies : dict of str to dict
        Answers of the board to commands of the bench, by command.
    host : list of (float, int)
        Moments of this computer's clock, s since 1970 UTC, with the board's t_ms at that moment.
    statistics : dict
        What the link counted.
    simulated : bool
        No real board: its clock has nothing to do with this computer's.
    """

    tables: dict
    settings: Settings = field(default_factory=Settings)
    plan: Plan = field(default_factory=Plan)
    answers: Answers = field(default_factory=Answers)
    settings_crc: str | None = None
    replies: dict = field(default_factory=dict)
    host: list = field(default_factory=list)
    statistics: dict = field(default_factory=dict)
    simulated: bool = False

    def column(self, table, name):
        """Numbers of a column as float, NaN where null; shape (n,)."""
        found = self.tables.get(table)
        if found is None or name not in found.columns:
            return np.empty(0)
        column = found[name]
        if isinstance(column, Maybe):
            return np.where(column.known, column.values, np.nan).astype(float)
        if isinstance(column, Moments):
            return np.where(column.known, column.ms, np.nan).astype(float)
        return np.asarray(column, dtype=float)

    def words(self, table, name):
        """Texts of a column, None for null; list of n."""
        found = self.tables.get(table)
        if found is None or name not in found.columns:
            return []
        column = found[name]
        return column.to_list() if isinstance(column, Words) else list(column)

    def rows(self, table, **equal):
        """Where the text columns have these values; bool, shape (n,)."""
        found = self.tables.get(table)
        if found is None:
            return np.zeros(0, dtype=bool)
        hits = np.ones(len(found), dtype=bool)
        for name, value in equal.items():
            hits &= np.array([text == value for text in self.words(table, name)], dtype=bool)
        return hits

    def good(self, table):
        """Where nothing is known against a reading; bool, shape (n,)."""
        texts = {text: not any(word in (text or "") for word in _SUSPECT) for text in set(self.words(table, "flags"))}
        return np.array([texts[text] for text in self.words(table, "flags")], dtype=bool)

    def series(self, table, column, **equal):
        """`(t_ms, values)` of good readings that are numbers, of the newest boot, in order of time; shape (n,) each."""
        values = self.column(table, column)
        keep = self.good(table) & self.rows(table, **equal) & np.isfinite(values)
        keep &= self.column(table, "boot") == self.boot if len(values) else keep
        return self.column(table, "t_ms")[keep], values[keep]

    @cached_property
    def boot(self):
        """Number of the newest power-up seen; NaN without any."""
        found = [self.column(name, "boot").max() for name in self.tables if len(self.column(name, "boot"))]
        return max(found) if found else float("nan")

    @cached_property
    def last_ms(self):
        """The newest moment in any table of the newest boot. [ms]"""
        newest = 0.0
        for name in self.tables:
            times = self.column(name, "t_ms")[self.column(name, "boot") == self.boot]
            newest = max(newest, float(times.max())) if len(times) else newest
        return newest

    @cached_property
    def first_ms(self):
        """The oldest moment in any table of the newest boot. [ms]"""
        oldest = float("inf")
        for name in self.tables:
            times = self.column(name, "t_ms")[self.column(name, "boot") == self.boot]
            oldest = min(oldest, float(times.min())) if len(times) else oldest
        return oldest if np.isfinite(oldest) else 0.0

    @cached_property
    def events(self):
        """Events of the newest boot in order of time, as dicts: t_ms, name, source, unit, a, b, text."""
        if "event" not in self.tables:
            return []
        numbers = {name: self.column("event", name) for name in ("t_ms", "boot", "unit", "a", "b")}
        texts = {name: self.words("event", name) for name in ("name", "source", "text")}
        rows = [
            {"t_ms": int(numbers["t_ms"][n]), **{k: int(numbers[k][n]) for k in ("unit", "a", "b")},
             **{key: column[n] for key, column in texts.items()}}
            for n in range(len(numbers["t_ms"])) if numbers["boot"][n] == self.boot
        ]  # fmt: skip
        return sorted(rows, key=lambda row: row["t_ms"])

    def last_event(self, *names, source=None):
        """The newest event of one of these names, None without one."""
        fitting = [row for row in self.events if row["name"] in names and (source is None or row["source"] == source)]
        return fitting[-1] if fitting else None

    @property
    def chip_of_pressure(self):
        """Name of the barometer as its readings say it, None without readings."""
        names = [name for name in self.words("pressure", "sensor") if name]
        return names[-1].split("_")[0] if names else None

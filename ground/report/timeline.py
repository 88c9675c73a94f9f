"""One time axis for all boots of a flight.

A board's clock starts at zero at each power-up; only GPS time joins the boots. A boot that never saw GPS time is laid
one second behind the boot before it, and said to be placed by assumption: the length of that pause is not known. When
no boot saw GPS time at all, the axis counts minutes from the first power-up instead of showing the time of day.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from ground.durations import duration_words

ASSUMED_PAUSE_MS = 1000.0


@dataclass(frozen=True)
class BootSpan:
    """One power-up: its number, its first and last moment on the axis [ms], and whether its place is assumed."""

    boot: int
    start_ms: float
    end_ms: float
    assumed: bool


class Timeline:
    """Puts rows of any table on the common axis.

    Attributes
    ----------
    has_utc : bool
        Axis in milliseconds since 1970 (UTC); else in milliseconds since the first power-up.
    spans : list of BootSpan
        In the order of the boots.
    """

    def __init__(self, tables):
        """From all tables of a flight (list of DataFrame with `boot`, `t_ms`, `utc`)."""
        ends: dict = {}
        shifts: dict = {}
        for table in tables:
            _survey(table, ends, shifts)
        self.has_utc = bool(shifts)
        self._shift = {}
        self._placed: dict = {}
        self.spans = []
        self._place(ends, {boot: float(np.median(values)) for boot, values in shifts.items()})

    def _place(self, ends, known):
        boots = sorted(ends)
        if known:  # boots before the first one with a clock are laid backwards from it
            first = boots.index(min(known))
            following = known[boots[first]] + ends[boots[first]][0]
            for boot in reversed(boots[:first]):
                self._shift[boot] = following - ASSUMED_PAUSE_MS - ends[boot][1]
                following = self._shift[boot] + ends[boot][0]
        previous_end = None
        for boot in boots:
            if boot in known:
                self._shift[boot] = known[boot]
            elif boot not in self._shift:
                start = 0.0 if previous_end is None else previous_end + ASSUMED_PAUSE_MS
                self._shift[boot] = start - ends[boot][0]
            low, high = (edge + self._shift[boot] for edge in ends[boot])
            self.spans.append(BootSpan(int(boot), low, high, boot not in known))
            previous_end = high

    def times(self, table):
        """Place of each row on the axis, shape (n,). [ms]

        A row's own UTC counts where it has one: it carries the drift of the board's clock within its boot. Worked out
        once for each table.
        """
        if id(table) not in self._placed:  # the table is kept too, so that its id stays its own
            self._placed[id(table)] = (table, self._place_rows(table))
        return self._placed[id(table)][1]

    def _place_rows(self, table):
        boot = _boots(table)
        shift = np.array([self._shift.get(b, np.nan) for b in np.unique(boot)])
        placed = table["t_ms"].to_numpy() + shift[np.unique(boot, return_inverse=True)[1]]
        if not self.has_utc:
            return placed
        own = utc_ms(table["utc"])
        return np.where(np.isnan(own), placed, own)

    @property
    def start_ms(self):
        return min((span.start_ms for span in self.spans), default=float("nan"))

    @property
    def end_ms(self):
        return max((span.end_ms for span in self.spans), default=float("nan"))

    def clock(self, moment_ms, *, date=False):
        """A moment in words: `12:34:56 UTC`, or `12 min 34 s` from the first power-up."""
        if moment_ms is None or not np.isfinite(moment_ms):
            return "not known"
        if self.has_utc:
            pattern = "%Y-%m-%d %H:%M:%S UTC" if date else "%H:%M:%S UTC"
            return pd.Timestamp(round(moment_ms), unit="ms").strftime(pattern)
        return f"{duration_words(moment_ms - self.start_ms)} after power-up"


def utc_ms(column):
    """Milliseconds since 1970 of a column of ISO 8601 texts (or timestamps), NaN where there is none."""
    if column.isna().all():
        return np.full(len(column), np.nan)
    parsed = pd.to_datetime(column, format="ISO8601", utc=True, errors="coerce")
    stamps = parsed.to_numpy(dtype="datetime64[ms]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype("int64").astype("float64"))


def _boots(table):
    return np.nan_to_num(table["boot"].to_numpy(), nan=0.0)


def _survey(table, ends, shifts):
    """Add to `ends` (boot -> first and last t_ms) and `shifts` (boot -> UTC minus t_ms of its rows)."""
    if not len(table):
        return
    boot, t_ms, own = _boots(table), table["t_ms"].to_numpy(), utc_ms(table["utc"])
    for number in np.unique(boot):
        rows = (boot == number) & np.isfinite(t_ms)
        if not rows.any():
            continue
        low, high = ends.get(number, (np.inf, -np.inf))
        ends[number] = (min(low, t_ms[rows].min()), max(high, t_ms[rows].max()))
        clocked = rows & np.isfinite(own)
        if clocked.any():
            shifts.setdefault(number, []).append(np.median((own - t_ms)[clocked]))

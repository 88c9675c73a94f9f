"""What the live views show, terminal and page alike: one row for each reading, and what the checks say by now."""

from dataclasses import asdict, dataclass

import numpy as np

from ground.bench.checks.board import SETTLED_MS
from ground.bench.finding import NO_GO, OK, WARNING

TREND_S = 60.0
EARLY_MS = 8000.0
EARLY_WORDS = "Listening: a verdict comes after some seconds."
TREND_POINTS = 120
OLD_PERIODS = 5.0  # a reading older than so many periods is shown as old


@dataclass(frozen=True)
class LiveRow:
    """One reading as it stands.

    `text` is the newest value with `digits`, None before the first; `age_s` counts from when the board took it. `low`
    and `high` are its range in the last minute; `trend` are `(seconds before now, value)` of that minute, oldest first.
    A plot of it is at least `span_min` high, so that a still reading looks still.
    """

    key: str
    title: str
    unit: str
    digits: int
    span_min: float
    value: float | None
    age_s: float | None
    is_old: bool
    low: float | None
    high: float | None
    trend: tuple[tuple[float, float], ...]

    def shown(self, value):
        """A value of this row as text."""
        return "–" if value is None else f"{value:.{self.digits}f}"

    def as_dict(self):
        """For the page."""
        row = asdict(self)
        row["text"] = self.shown(self.value)
        row["range"] = "" if self.low is None else f"{self.shown(self.low)} to {self.shown(self.high)}"
        return row


# key, title, unit, digits, least height of a plot, table, column, words, the settings' key of its period
_ROWS: tuple[tuple[str, str, str, int, float, str, str, dict, str | None], ...] = (
    ("pressure", "pressure", "hPa", 2, 0.2, "pressure", "pressure_hpa", {}, "pressure_period_ms"),
    ("outside", "outside", "°C", 2, 0.5, "temperature", "temperature_c", {"probe": "outside"}, "temperature_period_ms"),
    ("inside", "inside", "°C", 2, 0.5, "temperature", "temperature_c", {"probe": "inside"}, "temperature_period_ms"),
    ("box", "barometer's warmth", "°C", 2, 0.5, "pressure", "temperature_c", {}, "pressure_period_ms"),
    ("panel_v", "panel volts", "V", 3, 0.05, "power", "bus_v", {"channel": "panel"}, "panel_period_ms"),
    ("panel_ma", "panel current", "mA", 1, 2.0, "power", "current_ma", {"channel": "panel"}, "panel_period_ms"),
    ("battery", "battery", "V", 2, 0.2, "health", "battery_v", {}, "health_period_ms"),
    ("satellites", "satellites", "", 0, 4.0, "fix", "satellites", {}, None),
    ("altitude", "altitude by GPS", "m", 0, 20.0, "fix", "altitude_m", {}, None),
    ("card", "worst card write", "ms", 0, 20.0, "health", "card_write_max_ms", {}, "health_period_ms"),
    ("loop", "longest loop turn", "ms", 0, 20.0, "health", "loop_max_ms", {}, "health_period_ms"),
    ("memory", "free memory", "kB", 0, 4.0, "health", "heap_free_bytes", {}, "health_period_ms"),
)
_NOT_OF_THE_START = ("card", "loop")
_SCALE = {"memory": 0.001}


def live_rows(evidence, since_poll_s=0.0):
    """Rows in the order of the view.

    Parameters
    ----------
    evidence : Evidence
    since_poll_s : float
        How long ago the newest frame came; ages count it in. [s]
    """
    return [_row(evidence, since_poll_s, *one) for one in _ROWS]


def _row(evidence, since_poll_s, key, title, unit, digits, span_min, table, column, words, period_key):
    times, values = _series(evidence, table, column, words)
    if key in _NOT_OF_THE_START:
        times, values = times[times > SETTLED_MS], values[times > SETTLED_MS]
    values = values * _SCALE.get(key, 1.0)
    if not len(times):
        return LiveRow(key, title, unit, digits, span_min, None, None, False, None, None, ())
    now = evidence.last_ms
    age_s = float(now - times[-1]) / 1000.0 + since_poll_s
    period_s = getattr(evidence.settings, period_key) / 1000.0 if period_key else 1.0
    recent = times >= now - TREND_S * 1000.0
    times, minute = times[recent], values[recent]
    if not len(minute):
        return LiveRow(key, title, unit, digits, span_min, float(values[-1]), age_s, True, None, None, ())
    trend = _thinned((now - times) / 1000.0, minute)
    is_old = age_s > max(OLD_PERIODS * period_s, 3.0)
    low, high = float(minute.min()), float(minute.max())
    return LiveRow(key, title, unit, digits, span_min, float(values[-1]), age_s, is_old, low, high, trend)


def _series(evidence, table, column, words):
    if table in ("health", "fix"):
        values = evidence.column(table, column)
        keep = np.isfinite(values) & (evidence.column(table, "boot") == evidence.boot)
        return evidence.column(table, "t_ms")[keep], values[keep]
    return evidence.series(table, column, **words)


def _thinned(before_s, values):
    """At most TREND_POINTS pairs; a piece of many readings gives its lowest and its highest."""
    if len(values) <= TREND_POINTS:
        picked = np.arange(len(values))
    else:
        pieces = np.array_split(np.arange(len(values)), TREND_POINTS // 2)
        picked = np.unique([piece[find(values[piece])] for piece in pieces for find in (np.argmin, np.argmax)])
    return tuple((round(float(before_s[n]), 2), float(values[n])) for n in picked)


def is_early(evidence):
    """Whether the bench has listened for so short that a silent part may only be starting."""
    return evidence.last_ms - evidence.first_ms < EARLY_MS


def live_state(evidence, judgement, since_poll_s=0.0, link=""):
    """Everything the page needs for one moment, as JSON would have it."""
    early = is_early(evidence)
    findings = [] if early else judgement.of(NO_GO) + judgement.of(WARNING)
    return {
        "rows": [row.as_dict() for row in live_rows(evidence, since_poll_s)],
        "verdict": "" if early else judgement.word,
        "sentence": EARLY_WORDS if early else judgement.sentence.split(": ", 1)[1],
        "findings": [one.as_dict() for one in findings],
        "passed": [one.name for one in judgement.of(OK)],
        "board_s": round(evidence.last_ms / 1000.0, 1),
        "link": link,
        "simulated": evidence.simulated,
    }

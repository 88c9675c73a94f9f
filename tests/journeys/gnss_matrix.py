"""One whole flight for each way a receiver can be wrong, and what has to come of it.

The scenario is quick (50 minutes, 24.5 km, in air that is not the standard's), the instruments that do not matter here
are read slowly. Figures are measured against the truth table; tests/bench/gnss_matrix.py prints them.
"""

import json
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from ground.simulator.board.gnss.behaviour import Behaviour
from ground.simulator.board.noise import Noise
from ground.simulator.scenario import load_scenario
from shared_protocol import events
from tests.journeys.flights import fly_and_decode

SCENARIO = Path(__file__).parents[1] / "data" / "scenarios" / "quick.toml"
SETTINGS = {"pressure_period_ms": 250, "panel_period_ms": 2000, "temperature_period_ms": 2000, "log_size_mib": 16}
RESET_TO_MAIN_MS = 250  # from supply to the first line of the firmware, on the virtual board
FREEZE_M = 14000.0
NO_FIX, FIX, LIMIT = events.GNSS_NO_FIX, events.GNSS_FIX, events.GNSS_ALTITUDE_LIMIT


@dataclass
class Expected:
    """What the log has to say of one behaviour.

    `silent` are the metres above which no fix can be believed, `reason` the event that says why, with its first detail.
    """

    states: tuple = (NO_FIX, FIX)
    reason: str | None = None
    reason_a: int | None = None
    also: tuple = ()  # names of events that must be there
    silent_m: float | None = None
    model: int | None = 6
    time: dict = field(default_factory=dict)  # kinds of refused times
    steps: tuple = ()  # (days, ms) of each time step said


_SILENT = (NO_FIX, FIX, NO_FIX, LIMIT, FIX)
EXPECTED = {
    "older": Expected(also=("gnss_identified",)),
    "newer": Expected(also=("gnss_identified",)),
    "nmea_only": Expected(_SILENT, "gnss_limit_fixed", 18000, ("gnss_no_reply",), 18000.0, None),
    "refuses_model": Expected(_SILENT, "gnss_limit_default", 12000, ("gnss_model_refused",), 12000.0, None),
    "no_reply": Expected(_SILENT, "gnss_limit_default", 12000, ("gnss_no_reply",), 12000.0, None),
    "wrong_reply": Expected(_SILENT, "gnss_limit_default", 12000, ("gnss_model_wrong",), 12000.0, None),
    "stops_at_18_km": Expected(_SILENT, "gnss_limit_fixed", 18000, (), 18000.0),
    "freezes": Expected((NO_FIX, FIX, NO_FIX, FIX), "gnss_lost_high", None, (), FREEZE_M),
    "freezes_valid": Expected((NO_FIX, FIX, LIMIT, FIX), "gnss_frozen", None, (), FREEZE_M),
    "jumps": Expected(also=("gnss_jump",)),
    "no_leap_seconds": Expected(time={"leap_seconds"}, steps=((0, -18000),)),
    "week_rollover": Expected(time={"weeks"}, steps=((7168, 0),)),
    "time_step": Expected(time={"step"}, steps=((0, 7000), (0, -7000))),
    "restarts": Expected(states=None, also=("gnss_restarted",)),
}


class Flight:
    """A flown and decoded behaviour, and the truth beside it."""

    def __init__(self, folder, behaviour):
        scenario = load_scenario(SCENARIO)
        gnss = scenario.gnss.model_copy(update={"behaviour": behaviour})
        self.behaviour = behaviour
        self.expected = EXPECTED[behaviour]
        self.scenario = scenario.model_copy(update={"gnss": gnss})
        self.flown = fly_and_decode(folder, self.scenario, settings=SETTINGS)
        self.events = self.flown.table("event")
        fix = self.flown.table("fix")
        self.fix_ms = moments(fix["utc"])
        self.gnss_ms = moments(fix["gnss_utc"])
        self.fix_t_ms = np.array(fix["t_ms"])
        self.fix_type = np.array(fix["fix_type"])
        self.flags = [set(text.split("|")) - {""} for text in fix["flags"]]
        self.fix = {name: numbers(fix[name]) for name in ("latitude_deg", "longitude_deg", "altitude_m")}
        truth = self.flown.truth()
        self.true_s = moments(truth["utc"]) / 1000.0
        self.true = {name: numbers(truth[name]) for name in ("latitude_deg", "longitude_deg", "altitude_m")}
        self.true_phase = np.array(truth["phase"])
        self.row = self.flown.flight_table()
        self.row_s = moments(self.row["utc"]) / 1000.0
        self.integrity = json.loads((self.flown.folder / "integrity.json").read_text())
        self.results = json.loads((self.flown.folder / "results.json").read_text())

    def at_truth(self, name, at_s):
        """A true quantity at given times (seconds since 1970)."""
        return np.interp(at_s, self.true_s, self.true[name])

    def of(self, name):
        """(t_ms, a, b) of each event of a name."""
        rows = zip(self.events["name"], self.events["t_ms"], self.events["a"], self.events["b"], strict=True)
        return [row[1:] for row in rows if row[0] == name]

    def true_phase_s(self, phase):
        """When a phase truly began. [s since 1970]"""
        return float(self.true_s[np.flatnonzero(self.true_phase == phase)[0]])

    def board_delays_s(self):
        """How long after the truth the board's phase logic changed to ascending, descending and landed. [s]"""
        said = {a: t_ms for t_ms, a, _ in reversed(self.of("phase"))}
        start_s = self.boot_utc_ms() / 1000.0
        phases = ((1, "ascending"), (2, "descending"), (3, "landed"))
        return [round(start_s + said[code] / 1000.0 - self.true_phase_s(phase), 1) for code, phase in phases]

    def ground_errors_s(self):
        """How far launch, burst and landing in results.json are from the truth. [s]"""
        pairs = (("launch", "ascending"), ("burst", "descending"), ("landing", "landed"))
        return [
            round(moments([self.results[f"{name}_utc"]])[0] / 1000.0 - self.true_phase_s(phase), 1)
            for name, phase in pairs
        ]

    def boot_utc_ms(self):
        """True UTC of t_ms = 0. The board's first line runs 250 ms after power-up."""
        return self.true_s[0] * 1000.0 + RESET_TO_MAIN_MS

    def line_error_ms(self):
        """Largest error of the UTC line of the first boot, at its ends. [ms]"""
        boot = self.integrity["boots"][0]
        said = moments([boot["first_utc"], boot["last_utc"]])
        true = self.boot_utc_ms() + np.array([boot["first_ms"], boot["last_ms"]])
        return float(np.abs(said - true).max())

    def altitude_errors_m(self, source):
        """Final altitude minus truth, of the seconds that came from `source`. [m]"""
        own = np.array(self.row["altitude_source"]) == source
        return numbers(self.row["altitude_m"])[own] - self.at_truth("altitude_m", self.row_s[own])

    def place_errors_m(self):
        """Final position minus truth, of the seconds that have one. [m]"""
        latitude = numbers(self.row["latitude_deg"])
        known = ~np.isnan(latitude)
        north = latitude[known] - self.at_truth("latitude_deg", self.row_s[known])
        east = numbers(self.row["longitude_deg"])[known] - self.at_truth("longitude_deg", self.row_s[known])
        return np.hypot(north, east * np.cos(np.radians(latitude[known]))) * 111195.0

    def rows_off_m(self):
        """How far each 3d fix row is from the truth: in place and in height. [m]"""
        at_s = self.fix_ms / 1000.0
        north = self.fix["latitude_deg"] - self.at_truth("latitude_deg", at_s)
        east = self.fix["longitude_deg"] - self.at_truth("longitude_deg", at_s)
        across = np.hypot(north, east * np.cos(np.radians(self.true["latitude_deg"][0]))) * 111195.0
        return across, np.abs(self.fix["altitude_m"] - self.at_truth("altitude_m", at_s))

    def with_flag(self, name):
        """Rows of the fix table with a flag."""
        return np.array([name in flags for flags in self.flags])

    def restart_moments_s(self):
        """When the receiver had its supply back after each restart of its own. [s after power-up]"""
        gnss = self.scenario.gnss
        behaviour = Behaviour("restarts", None, 0.0, 1.0, 0.0, 1.0, 0.0, gnss.restart_every_s)
        moments_ = behaviour.restart_moments(Noise(self.scenario.seed, "gnss/restarts/gnss"))
        found = []
        for at_us, off_us, _cold in moments_:
            if at_us / 1e6 > self.true_s[-1] - self.true_s[0] - 60.0:
                return found
            found.append((at_us + off_us) / 1e6)
        return found

    def configured_after_s(self):
        """From each restart to the airborne model read back. [s]"""
        confirmed = np.array([t_ms + RESET_TO_MAIN_MS for t_ms, _, _ in self.of("gnss_model_set")]) / 1000.0
        return [
            round(float(np.min(confirmed[confirmed > at], initial=np.inf)) - at, 1) for at in self.restart_moments_s()
        ]


def moments(texts):
    """ISO moments as milliseconds since 1970; NaN for null."""
    return np.array([np.nan if t is None else datetime.fromisoformat(t).timestamp() * 1000.0 for t in texts])


def numbers(values):
    """A column with nulls as floats."""
    return np.array([np.nan if value is None else value for value in values], dtype=float)

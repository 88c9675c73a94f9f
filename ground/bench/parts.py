"""Which parts of the box speak: told from their readings first, from the board's events where readings say too little.

A bench may be connected long after the board's power-up, so "no event of trouble" proves nothing and readings do.
"""

from dataclasses import dataclass

import numpy as np

ANSWERS = "answers"
LOST = "lost"  # it spoke in this run and stopped
REFUSED = "refused"  # something answers there and is not what it should be
SILENT = "silent"

I2C, ONE_WIRE, PIN, SERIAL = "I2C", "one-wire", "pin", "serial"

_SILENT_PERIODS = 6  # so many periods without a reading
_SILENT_MS_MIN = 6000
DISTURBED_SHARE = 0.05  # of the readings hurt on the bus: more, and a good one is luck


@dataclass(frozen=True)
class Part:
    """A sensor that the settings name, and how it is.

    `key` is what the checks call it, `title` what a person calls it, `last` its newest telling event or None.
    """

    key: str
    title: str
    chip: str
    bus: str
    address: str  # of a thermometer on one wire: its code, in words
    state: str
    last: dict | None = None
    good: int = 0  # readings with nothing against them
    disturbed: float = 0.0  # share of readings with a bus error
    frozen: bool = False
    restarts: int = 0
    silent_s: float = 0.0  # since its last reading; only LOST

    @property
    def is_live(self):
        """Whether its readings may be judged."""
        return self.state == ANSWERS and not self.frozen and self.disturbed <= DISTURBED_SHARE


def find_parts(evidence):
    """Every part the settings name, by key: barometer, panel, outside, inside, battery."""
    settings = evidence.settings
    chip = settings.pressure_chip
    parts = [
        _part(evidence, "barometer", "barometer", evidence.chip_of_pressure or chip, I2C,
              f"0x{settings.pressure_address:02X}", "pressure", {}, "pressure", 0, settings.pressure_period_ms),
        _part(evidence, "panel", "panel's current sensor", settings.panel_chip, I2C, f"0x{settings.panel_address:02X}",
              "power", {"channel": "panel"}, "power", 0, settings.panel_period_ms),
    ]  # fmt: skip
    for unit, place in enumerate(("outside", "inside")):
        kind = getattr(settings, f"probe_{place}_chip")
        bus = I2C if kind == "tmp117" else ONE_WIRE
        address = (
            f"0x{getattr(settings, f'probe_{place}_address'):02X}"
            if kind == "tmp117"
            else _code_words(getattr(settings, f"probe_{place}_rom"))
        )
        parts.append(
            _part(evidence, place, f"{place} thermometer", kind, bus, address, "temperature", {"probe": place},
                  "temperature", unit, settings.temperature_period_ms)
        )  # fmt: skip
    parts.append(
        _part(evidence, "battery", "battery's divider", "adc", PIN, f"pin {settings.battery_pin}", "health", {},
              "battery", 0, settings.health_period_ms)
    )  # fmt: skip
    return {part.key: part for part in parts}


def _code_words(rom):
    return f"code {rom}" if rom else "whichever is found"


def _part(evidence, key, title, chip, bus, address, table, equal, source, unit, period_ms):
    mine = [row for row in evidence.events if row["source"] == source and row["unit"] == unit]
    times, good, disturbed, frozen = _readings(evidence, table, equal)
    patience_ms = max(_SILENT_PERIODS * period_ms, _SILENT_MS_MIN)
    state, silent_s = ANSWERS, 0.0
    telling = [row for row in mine if row["name"] in ("chip_refused", "chip_missing", "chip_lost")]
    if key == "battery":
        state = _battery_state(evidence, mine)
    elif not len(times):
        state = REFUSED if telling and telling[-1]["name"] == "chip_refused" else SILENT
    elif evidence.last_ms - times[-1] > patience_ms:
        state, silent_s = LOST, (evidence.last_ms - times[-1]) / 1000.0
        if telling and telling[-1]["name"] == "chip_refused":
            state = REFUSED
    restarts = sum(row["name"] == "chip_restarted" for row in mine)
    return Part(key, title, chip, bus, address, state, telling[-1] if telling else None, int(good.sum()),
                disturbed, frozen, restarts, silent_s)  # fmt: skip


def _readings(evidence, table, equal):
    """Times [ms] of the newest boot's readings, which are good, share hurt on the bus, whether the last stand still."""
    if table not in evidence.tables:
        return np.empty(0), np.zeros(0, dtype=bool), 0.0, False
    mine = evidence.rows(table, **equal) & (evidence.column(table, "boot") == evidence.boot)
    times = evidence.column(table, "t_ms")[mine]
    if table == "health" or not len(times):
        return times, np.ones(len(times), dtype=bool), 0.0, False
    flags = [text or "" for text, own in zip(evidence.words(table, "flags"), mine, strict=True) if own]
    hurt = np.array(["bus_error" in text for text in flags])
    still = np.array(["frozen" in text for text in flags])
    return times, evidence.good(table)[mine], float(hurt.mean()), bool(still[-5:].any())


def _battery_state(evidence, events):
    """A pin always reads something; a hundredth of full scale is no battery (firmware/tasks/health.py)."""
    raw = evidence.column("health", "battery_raw")[evidence.column("health", "boot") == evidence.boot]
    if not len(raw):
        return SILENT
    if raw[-1] >= 655:
        return ANSWERS
    return LOST if np.any(raw >= 655) else SILENT

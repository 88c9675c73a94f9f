"""How much current the box takes, how long cells last in the cold, and what is left at their terminals.

Every load has its source beside it. Time comes from charge; volts under load come from the simulator's battery model
(ground/simulator/thermal.py), whose resistance doubles with every 20 degrees of cold: a shape that a night in the
freezer has to confirm. `python -m hardware_notes.tables` writes the tables into power.md.
"""

from typing import NamedTuple

import numpy as np

from ground.simulator.scenario_parts import Battery
from ground.simulator.thermal import battery_voltage_v

RAIL_V = 3.3
EFFICIENCY = 0.85  # of a small switching regulator; common practice, no source
DIODE_V = 0.3  # Schottky diode at 0.1 A; from memory
PACK_V = 4.5  # three lithium AA cells in use, and about the middle of their discharge; from memory


class Load(NamedTuple):
    """Mean current, usual and careful [mA], and where the numbers are from."""

    what: str
    usual_ma: float
    careful_ma: float
    source: str


LOADS = (
    Load("board, processor awake", 25.0, 40.0, "RP2040 data sheet, power consumption; from memory"),
    Load("GNSS receiver, antenna included", 35.0, 70.0, "receivers' data sheets: tracking, and searching; from memory"),
    Load(
        "card, a sector or two a second",
        5.0,
        15.0,
        "100 mA while it writes (SD Physical Layer, from memory), 5 to 15 % of the time",
    ),
    Load(
        "MS5611, 10 pairs a second",
        0.3,
        1.4,
        "TE MS5611-01BA03, electrical characteristics; peak as the careful value; from memory",
    ),
    Load(
        "two DS18B20, converting 3/4 of the time",
        1.5,
        2.3,
        "Maxim 19-7487, DC characteristics: 1 mA, at most 1.5; from memory",
    ),
    Load("INA219", 0.7, 1.0, "TI SBOS448G, electrical characteristics; from memory"),
    Load("pull-ups, LED", 1.0, 3.0, "3.3 V over the resistors of the drawings"),
)
DIVIDER_MA = PACK_V / 20.0  # two 10 kilohm resistors, at the cells themselves


class Cells(NamedTuple):
    """A pack: charge in the warm [mAh] at about 100 mA, and the share of it that is left in the cold."""

    what: str
    capacity_mah: float
    shares: dict  # of temperature [C]
    limits: str


PACKS = (
    Cells(
        "3 lithium AA (iron disulphide), not rechargeable",
        3000.0,
        {20: 1.0, 0: 0.95, -20: 0.85, -40: 0.5},
        "-40 to 60 °C",
    ),
    Cells(
        "1 lithium-ion cell of 2500 mAh, rechargeable",
        2500.0,
        {20: 1.0, 0: 0.85, -20: 0.6, -40: 0.0},
        "-20 to 60 °C; no charging below 0 °C",
    ),
    Cells("3 NiMH AA, rechargeable", 1900.0, {20: 1.0, 0: 0.8, -20: 0.5, -40: 0.0}, "-20 to 50 °C"),
    Cells("3 alkaline AA", 2000.0, {20: 1.0, 0: 0.5, -20: 0.15, -40: 0.0}, "-18 to 55 °C"),
)
TEMPERATURES = (20, 0, -20, -40)


def total_ma(careful=False):
    """Mean current out of the cells. [mA]"""
    rail = sum(load.careful_ma if careful else load.usual_ma for load in LOADS)
    return rail * RAIL_V / (EFFICIENCY * (PACK_V - DIODE_V)) + DIVIDER_MA


def load_table():
    rows = ["| part | usual, mA at 3.3 V | careful, mA at 3.3 V | source |", "| --- | ---: | ---: | --- |"]
    rows += [f"| {load.what} | {load.usual_ma:g} | {load.careful_ma:g} | {load.source} |" for load in LOADS]
    usual, careful = (sum(getattr(load, key) for load in LOADS) for key in ("usual_ma", "careful_ma"))
    rows.append(f"| **all, at 3.3 V** | {usual:.0f} | {careful:.0f} | |")
    note = f"at {PACK_V:g} V, less {DIODE_V:g} V for the diode, {100 * EFFICIENCY:.0f} % regulator, plus the divider"
    rows.append(f"| **out of the cells** | **{total_ma():.0f}** | **{total_ma(True):.0f}** | {note} |")
    return "\n".join(rows)


def hours_table():
    """Hours on the careful current, by chemistry and temperature of the cells."""
    rows = [
        "| pack | rated for use | " + " | ".join(f"{t} °C" for t in TEMPERATURES) + " |",
        "| --- | --- |" + " ---: |" * len(TEMPERATURES),
    ]
    for pack in PACKS:
        hours = [pack.capacity_mah * pack.shares[t] / total_ma(True) for t in TEMPERATURES]
        shown = [f"{h:.0f} h" if pack.shares[t] else "no" for h, t in zip(hours, TEMPERATURES, strict=True)]
        rows.append(f"| {pack.what} | {pack.limits} | " + " | ".join(shown) + " |")
    return "\n".join(rows)


def terminal_v(load_ma, used, cell_c):
    """Volts at the terminals of the simulator's default pack. `used` is the share of its charge that is gone."""
    pack = Battery(load_ma=load_ma, ripple_ma=0.0)
    step_s = (
        used * 3.6 * pack.capacity_mah / (load_ma / 1000.0)
    )  # one step that takes just this charge; 3.6 C are 1 mAh
    return float(battery_voltage_v(pack, np.array([float(cell_c)]), np.zeros(1), step_s)[0])


def volts_table():
    """Volts under the mean load and under a burst of card, receiver and sounder at once."""
    rows = [
        "| used | load | " + " | ".join(f"{t} °C" for t in TEMPERATURES) + " |",
        "| --- | --- |" + " ---: |" * len(TEMPERATURES),
    ]
    for used in (0.1, 0.5, 0.9):
        for load_ma in (round(total_ma(True), -1), 400.0):
            volts = " | ".join(f"{terminal_v(load_ma, used, t):.1f} V" for t in TEMPERATURES)
            rows.append(f"| {100 * used:.0f} % | {load_ma:.0f} mA | {volts} |")
    return "\n".join(rows)

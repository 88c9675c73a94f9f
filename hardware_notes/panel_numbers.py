"""Numbers of the panel page: what loads of different size make of one panel from the ground to the top of a flight.

The panel is the default one of plan and simulator; the model is the single-diode one of ground/simulator/solar_cell.py.
`python -m hardware_notes.panel_numbers` prints the page's table.
"""

import numpy as np
from pvlib.pvsystem import singlediode

from ground.bench.panel_point import current_a, follow
from ground.bench.plan import PanelPlan
from ground.simulator.solar_cell import curve, fit_panel

PANEL = PanelPlan()
DIODE = fit_panel(PANEL)
SUN_ABOVE_AIR = 1361.0  # Kopp and Lean, Geophys. Res. Lett. 38 (2011) L01706. [W/m2]
LOADS = {10.0: "good", 22.0: "the edge", 150.0: "useless"}
CURVES = {
    (SUN_ABOVE_AIR, -50.0): "1361 W/m², cells at -50 °C: the top, cold",
    (SUN_ABOVE_AIR, 60.0): "1361 W/m²,|cells at 60 °C:|the top, warm",
    (500.0, 10.0): "500 W/m², cells at 10 °C: a morning",
}
_CLOUDS = 1.2  # light from cloud tops on top of the sun's; common practice, no source
FOLLOW_MIN = 0.9  # as the bench asks
CELLS_C = (-60.0, -20.0, 25.0, 60.0)


def open_circuit_v(light_wm2, cell_c):
    """Open-circuit voltage. [V]"""
    points = singlediode(*curve(DIODE, np.array([light_wm2]), np.array([cell_c])))
    return float(points["v_oc"][0])


def largest_load_ohm(light_wm2, cell_c):
    """The largest load with which a tenth more light gives at least nine hundredths more current. [ohm]"""
    low, high = 0.1, 1e4
    for _ in range(50):
        middle = (low * high) ** 0.5
        good = follow(PANEL, light_wm2, cell_c, middle + PANEL.shunt_ohm) >= FOLLOW_MIN
        low, high = (middle, high) if good else (low, middle)
    return low


def load_table():
    """Rows of text: a load, its current and volts in little and in much light, how it follows, its heat."""
    rows = [
        "| load | 200 W/m2, 10 °C | 1000 W/m2, 25 °C | 1361 W/m2, -50 °C | 1361 W/m2, 60 °C | heat at the top |",
        "| ---: | --- | --- | --- | --- | ---: |",
    ]
    for ohm in (5.0, 10.0, 15.0, 22.0, 47.0, 150.0, 1000.0):
        cells = []
        for light, cell in ((200.0, 10.0), (1000.0, 25.0), (SUN_ABOVE_AIR, -50.0), (SUN_ABOVE_AIR, 60.0)):
            total = ohm + PANEL.shunt_ohm
            amperes = current_a(PANEL, light, cell, total)
            cells.append(
                f"{1000 * amperes:.0f} mA, {amperes * ohm:.1f} V, "
                f"follows {100 * follow(PANEL, light, cell, total):.0f} %"
            )
        heat = max(current_a(PANEL, SUN_ABOVE_AIR * _CLOUDS, c, ohm + PANEL.shunt_ohm) for c in CELLS_C) ** 2 * ohm
        rows.append(f"| {ohm:g} Ω | " + " | ".join(cells) + f" | {heat:.2f} W |")
    return "\n".join(rows)


def cold_table():
    """Rows of text: by temperature of the cells, the open-circuit voltage and the largest load that still follows."""
    rows = [
        "| cells at | open circuit, 1361 W/m2 | largest load, 1361 W/m2 | largest load, 1633 W/m2 (clouds below) |",
        "| ---: | ---: | ---: | ---: |",
    ]
    for cell in CELLS_C:
        volts = open_circuit_v(SUN_ABOVE_AIR, cell)
        plain, bright = (largest_load_ohm(light, cell) for light in (SUN_ABOVE_AIR, SUN_ABOVE_AIR * _CLOUDS))
        rows.append(f"| {cell:g} °C | {volts:.1f} V | {plain:.0f} Ω | {bright:.0f} Ω |")
    return "\n".join(rows)


if __name__ == "__main__":
    print(load_table())
    print()
    print(cold_table())

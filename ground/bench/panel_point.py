"""Where a panel works on its curve: how much light that takes, and how well its current follows the sun there.

With the single-diode model (solar_cell.py) and a cell temperature, volts and amperes at the load give the light current
at once, because the diode's own current depends on voltage and temperature alone; the light follows from it.
`follow` is d(ln current) / d(ln light): 1 where the current is proportional to the sun, 0 at open circuit.
"""

from functools import lru_cache

import numpy as np

from ground.simulator.solar_cell import current_through, curve, fit_panel

_STEP = 1.02  # of light, for the derivative
# Above the air the sun gives 1361 W/m2 (Kopp and Lean, Geophys. Res. Lett. 38 (2011) L01706); light from cloud tops
# below can add a fifth (common practice, no source).
TOP_WM2 = 1361.0 * 1.2
# The warm panel decides the load: thin air cools badly in full sun. In the simulated demo flight its cells reach 44 C;
# 60 C leaves room, and is what hardware_notes/panel.md computes with.
TOP_CELL_C = 60.0


@lru_cache(maxsize=8)
def _diode(panel):
    return fit_panel(panel)


def light_of(panel, volts, amperes, cell_c, shunt_ohm):
    """Light on the panel that gives this voltage and current at its load. [W/m2]"""
    diode = _diode(panel)
    light_1000, saturation, series, shunt, ideality = _numbers(curve(diode, np.array([1000.0]), np.array([cell_c])))
    inner = volts + amperes * (shunt_ohm + series)
    # the shunt resistance of the model goes with 1 / light: its share of the current is in proportion to the light
    # current
    rest = amperes + saturation * np.expm1(min(inner / ideality, 200.0))
    return 1000.0 * rest / (light_1000 - inner / shunt)


def current_a(panel, light_wm2, cell_c, resistance_ohm):
    """Current through load and shunt together. [A]"""
    return float(current_through(_diode(panel), np.array([light_wm2]), np.array([cell_c]), resistance_ohm)[0])


def follow(panel, light_wm2, cell_c, resistance_ohm):
    """d(ln current) / d(ln light) at this light: 1 in proportion, 0 not at all."""
    low = current_a(panel, light_wm2, cell_c, resistance_ohm)
    high = current_a(panel, light_wm2 * _STEP, cell_c, resistance_ohm)
    return float(np.log(high / low) / np.log(_STEP)) if low > 0 else 0.0


def load_for_top(panel, wanted):
    """The largest load with which current follows the sun at the top this well. [ohm]"""
    low, high = 0.01, 1e5
    for _ in range(60):
        middle = float(np.sqrt(low * high))
        if follow(panel, TOP_WM2, TOP_CELL_C, middle) >= wanted:
            low = middle
        else:
            high = middle
    return low


def _numbers(parts):
    return [float(np.asarray(part).ravel()[0]) for part in parts]

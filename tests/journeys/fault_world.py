"""A short world for the fault matrix: the calm flight's columns, its time bent so that one phase fills the flight.

Physics stays that of the calm flight, row by row; only how fast its rows go by is changed. A flight begins on the
ground, climbs in a minute or so to where its window begins, and then stays in one phase, moving 9 m/s up or down
where that phase moves. Before a landing the way up and down again is cut short: the rows leap from the ascent to the
same altitude of the descent.
"""

from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np

from ground.simulator.scenario import load_scenario
from ground.simulator.world import build_world

GROUND_S = 50.0  # until the receiver has its fix and the self-test is over
RUSH_MPS = 150.0  # in the way to the window
WINDOW_MPS = 9.0
PHASES = ("ground", "ascending", "at altitude", "descending", "landed")
# where the window begins, and whether it rises (1) or falls (-1)
_WINDOWS = {"ascending": (1500.0, 1), "at altitude": (11000.0, 1), "descending": (17000.0, -1), "landed": (1500.0, -1)}


@cache
def calm_world():
    return build_world(load_scenario("calm"))


def bent_world(phase, window_s):
    """The world, and the second after power-up at which its window begins.

    Parameters
    ----------
    phase : one of PHASES
    window_s : float
        How long the phase has to last. [s]
    """
    world = calm_world()
    rows = _rows(world, phase, window_s)
    columns = {}
    for name, column in world.columns.items():
        at = np.arange(len(column))
        columns[name] = np.rint(np.interp(rows, at, column)) if name == "phase" else np.interp(rows, at, column)
    begin_s = (len(rows) - 1) * world.step_ms / 1000 - window_s
    return replace(world, columns=MappingProxyType(columns)), begin_s


def _rows(world, phase, window_s):
    """Row of the calm flight, with fraction, for each step of the bent one."""
    altitude = np.asarray(world.columns["altitude_m"])
    step_s = world.step_ms / 1000
    released, top, landed = (round(world.facts[key] / step_s) for key in ("released_s", "burst_s", "landed_s"))
    up, down = (altitude[released:top], released), (altitude[top:landed][::-1], None)
    on_ground = np.linspace(0, released, round(GROUND_S / step_s))
    count = round(window_s / step_s)
    if phase == "ground":
        return np.concatenate([on_ground[: len(on_ground) // 2], np.linspace(released / 2, released - 1, count)])

    def rising(low, high, mps):
        heights = np.arange(low, high, mps * step_s)
        return np.interp(heights, np.maximum.accumulate(up[0]), np.arange(released, top))

    def falling(high, low, mps):
        heights = np.arange(high, low, -mps * step_s)
        return np.interp(heights, np.maximum.accumulate(down[0]), np.arange(landed - 1, top - 1, -1))

    begin_m, direction = _WINDOWS[phase]
    way = [on_ground, rising(altitude[released] + 1, begin_m, RUSH_MPS if begin_m > 3000 else 20.0)]
    if phase == "landed":
        way += [falling(begin_m, altitude[landed] + 1, 20.0), np.linspace(landed, landed + 200, round(110 / step_s))]
        return np.concatenate([*way, np.linspace(landed + 200, len(altitude) - 1, count)])
    travel_m = WINDOW_MPS * window_s
    if direction > 0:
        window = rising(begin_m, begin_m + travel_m + 100, WINDOW_MPS)
    else:  # a quarter of a minute of the fall makes the phase known
        way.append(falling(begin_m, begin_m - 700, 35.0))
        window = falling(begin_m - 700, begin_m - 800 - travel_m, WINDOW_MPS)
    return np.concatenate([*way, window[:count]])

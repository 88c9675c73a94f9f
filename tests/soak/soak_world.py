"""A world of many hours: one flight after the other, each released where the one before came down."""

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

import numpy as np

from ground.simulator.chance import stream
from ground.simulator.scenario import load_scenario, parse_scenario
from ground.simulator.world import build_world

_REST_S = (200.0, 540.0)  # less than the ten minutes after which a log counts as finished
_LONG_REST_S = (700.0, 1500.0)  # more
_WAIT_S = (240.0, 1500.0)
_CHANGED_WHERE = ("latitude_deg", "longitude_deg")


def soak_world(hours, seed, long_rests_from_h=None):
    """The world and its scenario, `hours` long.

    From `long_rests_from_h` on (default: two thirds of the time) the box lies so long between two flights that a
    restart begins a new log; before that only a full log does.
    """
    chance = stream(seed, "soak")
    base = load_scenario("calm").model_dump(exclude_unset=True)
    long_from_h = hours * 2 / 3 if long_rests_from_h is None else long_rests_from_h
    end_rows, parts, first, rows = round(hours * 3600 * 5), [], None, 0
    launch = dict(base["launch"])
    while rows < end_rows:
        rest = _LONG_REST_S if rows / 18000 >= long_from_h else _REST_S
        wait_s = round(float(chance.uniform(*_WAIT_S)))
        if first is not None:
            launch["utc"] = first.start_utc + timedelta(seconds=rows / 5 + wait_s)
        launch["wait_s"] = float(wait_s)
        landing = {"altitude_m": round(float(chance.uniform(250.0, 600.0)), 1)}
        landing["stay_s"] = float(round(float(chance.uniform(*rest))))
        balloon = base["balloon"] | {"burst_diameter_m": round(float(chance.uniform(3.0, 6.5)), 2)}
        raw = base | {"launch": dict(launch), "landing": landing, "balloon": balloon, "faults": []}
        leg = build_world(parse_scenario(raw, "a leg of the soak"), None, seed + len(parts))
        first = first or leg
        parts.append(leg.columns)
        rows += len(leg.columns["altitude_m"])
        launch |= {name: float(leg.columns[name][-1]) for name in _CHANGED_WHERE}
        launch["altitude_m"] = float(leg.columns["altitude_m"][-1])
    columns = {name: np.concatenate([part[name] for part in parts])[:end_rows] for name in first.columns}
    facts = dict(first.facts) | {"end_s": (end_rows - 1) / 5, "legs": len(parts)}
    return replace(first, columns=MappingProxyType(columns), facts=MappingProxyType(facts)), first.scenario

"""Small helpers of the simulator's tests: scenarios with some keys changed, and still standard air."""

import numpy as np

from ground.simulator.air import standard_profile
from ground.simulator.scenario import load_scenario, parse_scenario
from ground.simulator.wind import Wind


def scenario_with(name="calm", **tables):
    """A shipped scenario with keys of its tables changed: scenario_with(balloon={"gas": "helium"})."""
    raw = load_scenario(name).model_dump(exclude_unset=True)
    for table, keys in tables.items():
        raw[table] = {**raw.get(table, {}), **keys} if isinstance(keys, dict) else keys
    return parse_scenario(raw, "test")


def still_standard_air():
    return standard_profile(Wind(np.array([0.0, 60000.0]), np.zeros(2), np.zeros(2)))


def no_gust(_t):
    return 0.0

"""Fixtures for whole flights: one scenario, its world, and fly() on them for a few minutes."""

import pytest

from ground.simulator.flight import fly
from ground.simulator.world import build_world
from tests.simulator.boots import PLAIN, RELEASE_S
from tests.simulator.flights import scenario_with


@pytest.fixture(scope="session")
def scenario():
    return scenario_with(
        "calm",
        launch={"wait_s": RELEASE_S},
        card={"size_mib": 17},
        gnss={"generation": "m8", "first_fix_s": 12.0},
        panel={"load_ohm": 22.0},  # volts enough that the meter's steps of 4 mV are small against its stated error
    )



@pytest.fixture(scope="session")
def world(scenario):
    return build_world(scenario)



@pytest.fixture
def fly_it(scenario, world, tmp_path):
    """fly() with the plain firmware, on the shared world, for a few minutes."""

    def go(name="out", **options):
        options = {"firmware_folder": PLAIN, "world": world, "stop_after_s": 300.0} | options
        return fly(options.pop("scenario", scenario), tmp_path / name, **options)

    return go


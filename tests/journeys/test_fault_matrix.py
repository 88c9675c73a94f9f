"""The fault matrix: every chip, every fault, every phase of the flight (fault_matrix.py).

The first set of chips flies through all phases, the others through the two in which most goes on, and landed, where
it is slowest. `python -m tests.bench.fault_matrix` flies all of it and prints the table.
"""

import pytest

from tests.journeys.fault_matrix import FAULTS, SETS, fly_phase, schedule
from tests.journeys.fault_world import PHASES

FLIGHTS = [("first", phase) for phase in PHASES]
FLIGHTS += [("second", "at altitude"), ("second", "landed"), ("third", "ascending"), ("third", "descending")]


@pytest.mark.parametrize(("set_name", "phase"), FLIGHTS)
def test_every_fault_is_named_in_time_and_costs_nobody_else_anything(set_name, phase, tmp_path):
    cells, _ = fly_phase(tmp_path, set_name, phase)
    wrong = [
        f"{cell.chip.kind}, {cell.fault}, at {cell.begin_s:.0f} s: {cell.faults_found}"
        for cell in cells
        if cell.faults_found
    ]
    assert wrong == []


def test_every_chip_meets_every_fault_that_it_can_have():
    """Left out are an identity where there is none (battery, receiver) and what has no bus to be hurt on."""
    met = {(cell.chip.kind, cell.fault) for name in SETS for cell in schedule(name, "ascending")[0]}
    kinds = {"ms5611", "bmp280", "bme280", "ina219", "ina226", "tmp117", "ds18b20"}
    assert met >= {(kind, fault) for kind in kinds for fault in FAULTS}
    assert {fault for kind, fault in met if kind == "receiver"} == set(FAULTS) - {
        "wrong id",
        "stuck low bus",
        "frozen value",
    }
    assert {fault for kind, fault in met if kind == "adc"} == {
        "absent at power-up", "lost for a minute", "lost for good", "frozen value",
    }  # fmt: skip

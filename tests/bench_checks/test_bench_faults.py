"""A healthy bench is GO; each fault is told by its own name, and no other is.

Here from the cards of simulated runs; the faults of test_live_session.py are told over the line, and not twice.
"""

import pytest

from ground.bench.finding import NO_GO, NOT_CHECKED, OK, WARNING
from ground.bench.judge import judge
from tests.bench_checks.bench_runs import Run, run_bench
from tests.bench_checks.fault_table import OVER_THE_LINE, faults, problem


@pytest.fixture(scope="module")
def healthy():
    return judge(run_bench())


def test_healthy_bench_is_go_and_nothing_is_left_out_but_the_simulated_clock(healthy):
    assert healthy.is_go and healthy.word == "GO"
    assert healthy.of(NO_GO, WARNING) == []
    assert [one.name for one in healthy.of(NOT_CHECKED)] == ["clock against this computer"]
    assert len(healthy.of(OK)) > 25


FROM_CARDS = [fault for fault in faults() if fault.leaves_a_card and fault.title not in OVER_THE_LINE]


@pytest.mark.parametrize("fault", FROM_CARDS, ids=lambda fault: fault.title)
def test_fault_is_named_and_no_other_is(fault):
    evidence = run_bench(fault.run)
    judgement = judge(fault.after(evidence) if fault.after else evidence)
    assert problem(fault, judgement) == ""
    assert judgement.is_go == (fault.verdict == WARNING)


def test_table_has_every_sort_of_fault():
    table = faults()
    assert len(table) >= 20
    assert len({fault.title for fault in table}) == len(table)
    assert len({fault.finding for fault in table}) >= 20


def test_problem_is_seen_if_nothing_or_another_thing_is_said(healthy):
    assert all(problem(fault, healthy) for fault in faults())


def test_names_of_checks_are_their_own(healthy):
    names = [one.name for one in healthy.findings]
    assert len(names) == len(set(names))


def test_every_reason_says_why_and_what_to_do():
    judgement = judge(run_bench(Run(columns={"battery_v": 3.7}, answers={"battery_volts": None, "led_seen": False})))
    for one in judgement.of(NO_GO, WARNING):
        assert one.why.endswith(".") and one.do.endswith(".")


def test_what_nobody_typed_in_is_not_checked_and_says_how():
    readings = ("station_pressure_hpa", "panel_volts", "panel_ma", "battery_volts", "battery_rest_volts")
    nobody = dict.fromkeys((*readings, "warmed", "sounder_heard", "led_seen"))
    judgement = judge(run_bench(Run(answers=nobody | {"side_by_side": False})))
    assert judgement.is_go
    open_ = {one.name: one for one in judgement.of(NOT_CHECKED)}
    assert {"pressure level", "which probe is which", "panel volts by multimeter", "panel current by multimeter",
            "battery volts by multimeter", "battery under load", "sounder", "LED"} <= set(open_)  # fmt: skip
    assert all(one.do for name, one in open_.items() if name != "clock against this computer")


OTHER_CHIPS = {
    "BMP280, INA226, TMP117 and DS18B20": {
        "pressure": [{"chip": "bmp280", "name": "pressure", "address": 0x76}],
        "power": [{"chip": "ina226", "name": "panel"}],
        "temperature": [{"chip": "tmp117", "name": "outside", "place": "outside"},
                        {"chip": "ds18b20", "name": "inside", "place": "inside"}],
    },
    "BME280 and two TMP117": {
        "pressure": [{"chip": "bme280", "name": "pressure", "address": 0x76}],
        "temperature": [{"chip": "tmp117", "name": "outside", "place": "outside"},
                        {"chip": "tmp117", "name": "inside", "place": "inside", "address": 0x49}],
    },
}  # fmt: skip


@pytest.mark.parametrize("sensors", OTHER_CHIPS.values(), ids=OTHER_CHIPS)
def test_other_chips_are_go_as_well(sensors):
    judgement = judge(run_bench(Run(scenario={"sensors": sensors})))
    assert judgement.is_go and judgement.of(WARNING) == []


def test_four_chips_on_one_dead_bus_are_one_reason():
    chips = ("pressure", "panel", "outside", "inside")
    faults_ = tuple({"kind": "missing_chip", "chip": chip} for chip in chips)
    judgement = judge(run_bench(Run(scenario={"sensors": OTHER_CHIPS["BME280 and two TMP117"]}, faults=faults_)))
    assert [one.name for one in judgement.of(NO_GO, WARNING)] == ["I2C bus"]
    assert "none of 4 chips" in judgement.of(NO_GO)[0].measured

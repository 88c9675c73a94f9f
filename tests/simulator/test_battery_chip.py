"""The board's converter: twelve bits spread over sixteen, noise, and the error it states."""

import statistics

import pytest

from ground.simulator.board.chips import battery_adc
from ground.simulator.board.chips.battery_adc import BatteryAdc
from tests.simulator.bench import ChipBench


@pytest.mark.parametrize(("volt", "raw"), [(0.0, 0), (3.3, 2048), (5.1, 3165), (6.6, 4095), (9.0, 4095)])
def test_twelve_bits_are_spread_over_sixteen(volt, raw):
    adc = ChipBench(battery_v=volt).chip(BatteryAdc, ideal=True)
    assert adc.read_u16() == raw << 4 | raw >> 8


def test_noise_and_specimen_stay_within_what_is_stated():
    for seed in range(20):
        adc = ChipBench(battery_v=4.5).chip(BatteryAdc, seed=seed, noise_mv=4.0)
        values = [adc.read_u16() / 65535 * 6600 for _ in range(400)]
        allowed = 4500 * battery_adc.stated_error["gain_pct"] / 100 + battery_adc.stated_error["offset_mv"]
        assert abs(statistics.mean(values) - 4500) <= allowed
        assert statistics.pstdev(values) == pytest.approx(4.0, abs=0.6)

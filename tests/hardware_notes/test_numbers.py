"""The numbers of the pages against other ways to them: pvlib's own solver, Ohm's law, charge over current."""

from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq

from ground.simulator.scenario_parts import Panel
from ground.simulator.solar_cell import curve, fit_panel
from hardware_notes import panel_numbers, power_budget
from tests.hardware_notes.pages import text_of
from tests.simulator.test_panel import LABELS

SHARE = 0.28  # of Voc / Isc, the largest load on the panel page
TOP_WM2 = 1361.0 * 1.2


diode_of = cache(fit_panel)


def current_a(panel, light, cell_c, ohm):
    """Where pvlib's curve meets the load's line. [A]"""
    pvsystem = pytest.importorskip("pvlib.pvsystem")
    parts = curve(diode_of(panel), np.array([light]), np.array([cell_c]))
    gap = lambda volts: float(pvsystem.i_from_v(volts, *parts)[0]) - volts / ohm  # noqa: E731
    return brentq(gap, 0.0, 2.0 * panel.open_circuit_voltage_v) / ohm


def follows(panel, light, cell_c, ohm):
    low, high = (current_a(panel, light * factor, cell_c, ohm) for factor in (0.99, 1.01))
    return (high - low) / (0.02 * current_a(panel, light, cell_c, ohm))


@pytest.mark.parametrize("name", LABELS)
def test_the_pages_share_gives_a_load_whose_current_follows_the_sun_at_the_top_warm_and_cold(name):
    panel = LABELS[name]
    assert f"{SHARE:g} × Voc / Isc" in text_of("panel.md")
    is_poor = panel.max_power_current_ma < 0.85 * panel.short_circuit_current_ma
    share = SHARE / 3.0 if is_poor else SHARE
    ohm = share * panel.open_circuit_voltage_v / (panel.short_circuit_current_ma / 1000.0)
    for cell_c in (-60.0, 0.0, 60.0):
        assert follows(panel, TOP_WM2, cell_c, ohm) >= 0.9


def test_one_of_the_labels_is_the_poor_panel_of_the_page():
    assert any(p.max_power_current_ma < 0.85 * p.short_circuit_current_ma for p in LABELS.values())


def test_the_example_of_the_page_is_computed_from_its_label():
    panel, text = Panel(), text_of("panel.md")
    isc_a, voc = panel.short_circuit_current_ma / 1000.0, panel.open_circuit_voltage_v
    assert f"{SHARE:g} × {voc:g} / {isc_a:.3f} = {SHARE * voc / isc_a:.1f} Ω" in text
    heat_w = (1.75 * isc_a) ** 2 * 10.0
    assert f"{heat_w:.2f} W" in text
    assert max(current_a(panel, TOP_WM2, c, 10.0) for c in (-60.0, 25.0, 60.0)) <= 1.75 * isc_a
    assert panel.load_ohm == 10.0 and "so 10 Ω" in text


def test_the_three_loads_of_the_figure_are_what_their_names_say():
    top = panel_numbers.SUN_ABOVE_AIR
    assert follows(Panel(), top, 60.0, 10.0) > 0.95  # good
    assert follows(Panel(), top, -50.0, 22.0) > 0.9 > follows(Panel(), top, 60.0, 22.0)  # the edge
    assert follows(Panel(), top, -50.0, 150.0) < 0.1  # useless


def test_open_circuit_voltage_in_the_cold_is_near_the_labels_coefficient_and_below_the_pages_third():
    panel = Panel()
    straight = panel.open_circuit_voltage_v * (1 + panel.voltage_coefficient_pct_per_c / 100.0 * (-60.0 - 25.0))
    cold = panel_numbers.open_circuit_v(1361.0, -60.0)
    assert straight == pytest.approx(cold, rel=0.03)
    assert cold < panel.open_circuit_voltage_v * 4 / 3
    assert 18.0 * 4 / 3 < 26.0 and 25.0 * 4 / 3 < 36.0  # the labels that the current sensor's page allows


def test_capacitance_that_the_pull_ups_carry_is_that_of_the_i2c_standard():
    """UM10204, 7.1: C = t_r / (0.8473 R), with 300 ns at 400 kHz; and 3 mA at 0.4 V limit the resistors from below."""
    farads = 300e-9 / (0.8473 * 4700)
    assert f"{farads * 1e12:.0f} pF" in text_of("barometer_ms5611.md")
    assert pytest.approx(1000, rel=0.05) == (3.3 - 0.4) / 3e-3


def test_current_out_of_the_cells_is_power_over_voltage():
    for careful, rail_ma in ((False, 68.5), (True, 132.7)):
        watts = rail_ma / 1000.0 * 3.3 / 0.85
        assert power_budget.total_ma(careful) == pytest.approx(1000.0 * watts / 4.2 + 4.5 / 20.0, abs=0.1)


def test_hours_are_charge_over_current():
    lithium = power_budget.PACKS[0]
    hours = lithium.capacity_mah * lithium.shares[-40] / power_budget.total_ma(True)
    assert f"{hours:.0f} h |" in power_budget.hours_table().splitlines()[2]
    assert hours < 16.0 < lithium.capacity_mah * lithium.shares[-20] / power_budget.total_ma(True)  # as the page argues


def test_terminal_voltage_is_ohms_law_at_both_ends_of_the_cold():
    for cell_c, ohm in ((25.0, 0.45), (-15.0, 1.8)):  # doubles every 20 degrees
        assert power_budget.terminal_v(400.0, 0.0, cell_c) == pytest.approx(5.1 - 0.4 * ohm)
    assert power_budget.terminal_v(400.0, 1.0, 25.0) == pytest.approx(3.6 - 0.4 * 0.45)

"""The panel: its label comes back from its curve, its load meets the curve, and cold and light do what they must.

Independent: pvlib's own solvers of the single-diode equation.
"""

import numpy as np
import pytest

from ground.errors import InputError
from ground.simulator.panel import angle_transmission, cell_temperature_k
from ground.simulator.scenario_parts import Panel
from ground.simulator.solar_cell import current_through, curve, fit_panel

LABELS = {
    "small panel of 11 cells": Panel(),
    "12 V garden panel": Panel(
        short_circuit_current_ma=610.0,
        open_circuit_voltage_v=21.6,
        max_power_current_ma=570.0,
        max_power_voltage_v=17.5,
        cells_in_series=36,
    ),
    "one small cell": Panel(
        short_circuit_current_ma=80.0,
        open_circuit_voltage_v=0.58,
        max_power_current_ma=70.0,
        max_power_voltage_v=0.45,
        cells_in_series=1,
    ),
    "poor panel": Panel(
        short_circuit_current_ma=100.0,
        open_circuit_voltage_v=6.0,
        max_power_current_ma=80.0,
        max_power_voltage_v=4.2,
        cells_in_series=12,
    ),
}
labels = pytest.mark.parametrize("panel", LABELS.values(), ids=LABELS)


def whole_curve(panel, irradiance, cell_c):
    """pvlib's key points of the panel's curve."""
    pvsystem = pytest.importorskip("pvlib.pvsystem")
    return pvsystem.singlediode(*curve(fit_panel(panel), np.array([irradiance]), np.array([cell_c])))


@labels
def test_the_curve_goes_through_the_label(panel):
    points = whole_curve(panel, 1000.0, 25.0)
    assert float(points["i_sc"][0]) * 1000 == pytest.approx(panel.short_circuit_current_ma, rel=1e-6)
    assert float(points["v_oc"][0]) == pytest.approx(panel.open_circuit_voltage_v, rel=1e-6)
    assert float(points["p_mp"][0]) * 1000 == pytest.approx(
        panel.max_power_current_ma * panel.max_power_voltage_v, rel=0.02
    )
    assert float(points["v_mp"][0]) == pytest.approx(panel.max_power_voltage_v, rel=0.03)


@labels
def test_warmth_takes_voltage_as_the_label_says(panel):
    cool, warm = (float(whole_curve(panel, 1000.0, c)["v_oc"][0]) for c in (20.0, 30.0))
    assert (warm - cool) / 10.0 / panel.open_circuit_voltage_v * 100.0 == pytest.approx(
        panel.voltage_coefficient_pct_per_c, rel=0.02
    )
    cool, warm = (float(whole_curve(panel, 1000.0, c)["i_sc"][0]) for c in (20.0, 30.0))
    per_c = (warm - cool) * 100.0 / panel.short_circuit_current_ma * 100.0
    assert per_c == pytest.approx(panel.current_coefficient_pct_per_c, rel=0.1)


@labels
@pytest.mark.parametrize("resistance_ohm", [0.2, 5.0, 22.1, 300.0, 100000.0])
def test_the_operating_point_lies_on_pvlibs_curve_and_on_the_loads_line(panel, resistance_ohm):
    pvsystem = pytest.importorskip("pvlib.pvsystem")
    irradiance = np.array([1e-3, 20.0, 300.0, 1000.0, 1361.0])
    cell_c = np.array([-80.0, -55.0, 0.0, 25.0, 60.0])
    diode = fit_panel(panel)
    current = current_through(diode, irradiance, cell_c, resistance_ohm)
    on_curve = pvsystem.i_from_v(current * resistance_ohm, *curve(diode, irradiance, cell_c))
    np.testing.assert_allclose(current, on_curve, atol=panel.short_circuit_current_ma * 1e-9 + 1e-12)


def test_no_light_gives_nothing_and_more_light_gives_more():
    diode = fit_panel(Panel())
    current = current_through(diode, np.array([0.0, 1.0, 10.0, 100.0, 500.0, 1000.0, 1300.0]), np.zeros(7), 22.1)
    assert current[0] < 1e-9
    assert np.all(np.diff(current) > 0)


def test_with_a_small_load_the_current_follows_the_light_and_with_a_large_one_the_voltage_stays():
    diode = fit_panel(Panel())
    light, cell_c = np.array([400.0, 800.0]), np.array([25.0, 25.0])
    small = current_through(diode, light, cell_c, 5.0)
    assert small[1] / small[0] == pytest.approx(2.0, rel=0.01)
    large = current_through(diode, light, cell_c, 2000.0)
    assert large[1] / large[0] < 1.1


def test_cold_cells_give_more_volts_at_a_large_load():
    diode = fit_panel(Panel())
    cold, warm = current_through(diode, np.array([1000.0, 1000.0]), np.array([-50.0, 25.0]), 500.0)
    assert 1.15 < cold / warm < 1.35  # 75 degrees at 0.32 % each


def test_a_label_that_no_panel_can_have_is_refused():
    # power at the knee beyond what an exponential allows: voltage and current both at 94 and 98 % of their limits
    panel = Panel(max_power_voltage_v=6.2, max_power_current_ma=157.0)
    with pytest.raises(
        InputError, match=r"^panel: no solar panel has .* most power at 6.2 V and 157 mA; check the label"
    ):
        fit_panel(panel)


def test_slanting_light_is_lost_as_ashrae_says():
    pvlib_iam = pytest.importorskip("pvlib.iam")
    angle = np.linspace(0.0, 88.0, 45)
    np.testing.assert_allclose(angle_transmission(np.cos(np.deg2rad(angle))), pvlib_iam.ashrae(angle), atol=1e-9)
    assert angle_transmission(np.array([-1.0, 0.0]))[1] == 0.0


def test_cells_warm_in_the_sun_most_where_the_air_is_thin():
    dense, thin, dark = (
        cell_temperature_k(Panel(), np.full(20000, w), np.full(20000, 230.0), np.full(20000, flow), 0.2)[-1]
        for w, flow in ((1000.0, 1.0), (1000.0, 0.15), (0.0, 0.15))
    )
    assert dark == pytest.approx(230.0, abs=1e-9)
    assert 10.0 < dense - 230.0 < 30.0
    assert 40.0 < thin - 230.0 < 90.0
    # heat balance of a plate, textbook: what it takes in is what two faces give off
    balance = 2.0 * (thin - 230.0) * (18.0 * 0.15 + 4.0 * 0.9 * 5.670374419e-8 * 230.0**3)
    assert balance == pytest.approx(0.85 * 1000.0, rel=1e-6)

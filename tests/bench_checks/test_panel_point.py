"""The panel's place on its curve, against pvlib's own solver of the single-diode model."""

import numpy as np
import pytest
from pvlib.pvsystem import calcparams_desoto, i_from_v, v_from_i

from ground.bench.panel_point import TOP_CELL_C, TOP_WM2, current_a, follow, light_of, load_for_top
from ground.bench.plan import PanelPlan
from ground.simulator.solar_cell import fit_panel

PANEL = PanelPlan()


def _curve(light, cell_c):
    d = fit_panel(PANEL)
    return calcparams_desoto(
        light, cell_c, d.light_a_per_k, d.ideality_v, d.light_a, d.saturation_a, d.shunt_ohm, d.series_ohm,
        EgRef=d.gap_ev, dEgdT=-0.0002677,
    )  # fmt: skip


@pytest.mark.parametrize("light", [80.0, 400.0, 1000.0, 1300.0])
@pytest.mark.parametrize("volts", [0.4, 2.5, 5.0])
def test_light_is_found_again_from_volts_and_current(light, volts):
    amperes = float(i_from_v(volts, *_curve(light, 33.0)))
    if amperes > 1e-4:
        load_v = volts - amperes * 0.1  # the shunt stands between panel and load
        assert light_of(PANEL, load_v, amperes, 33.0, 0.1) == pytest.approx(light, rel=1e-6)


@pytest.mark.parametrize("ohm", [1.0, 22.0, 60.0, 1000.0])
def test_current_through_a_load_lies_on_pvlibs_curve(ohm):
    amperes = current_a(PANEL, 700.0, 20.0, ohm)
    assert float(v_from_i(amperes, *_curve(700.0, 20.0))) == pytest.approx(amperes * ohm, rel=1e-6)


def test_small_load_follows_the_sun_and_a_large_one_does_not():
    assert follow(PANEL, 800.0, 25.0, 1.0) == pytest.approx(1.0, abs=0.01)
    assert follow(PANEL, 800.0, 25.0, 5000.0) < 0.1
    followed = [follow(PANEL, TOP_WM2, TOP_CELL_C, ohm) for ohm in (1, 5, 15, 25, 40, 100, 1000)]
    assert followed == sorted(followed, reverse=True)


def test_largest_load_for_the_top_is_the_largest():
    ohm = load_for_top(PANEL, 0.9)
    assert follow(PANEL, TOP_WM2, TOP_CELL_C, ohm) == pytest.approx(0.9, abs=1e-3)
    assert follow(PANEL, TOP_WM2, TOP_CELL_C, 1.05 * ohm) < 0.9


def test_follow_is_the_slope_of_pvlibs_current_against_light():
    light, ohm = 900.0, 30.0
    low, high = (current_a(PANEL, light * f, 25.0, ohm) for f in (0.999, 1.001))
    slope = np.log(high / low) / np.log(1.001 / 0.999)
    assert follow(PANEL, light, 25.0, ohm) == pytest.approx(slope, abs=0.03)

"""The 1976 standard atmosphere against its printed tables and two independent libraries.

Sources: U.S. Standard Atmosphere, 1976, Table I (read; `data/check_values.json` gives the rows), the libraries
ussa1976 and ambiance.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ground.atmosphere import (
    ALTITUDE_M_MAX,
    altitude_from_geopotential,
    geopotential_from_altitude,
    gravity_mps2,
    pressure_altitude_m,
    standard_air,
    standard_air_at_geopotential,
    thickness_m,
    viscosity_pa_s,
)
from tests.check_values import check_value

PRINTED_ALTITUDES_M = (0, 1000, 5000, 10000, 11000, 15000, 18000, 20000, 25000, 30000, 32000, 35000, 40000)


def assert_like(entry, **ours):
    """Each of `ours` within the entry's own tolerance."""
    for key, value in ours.items():
        tolerance = entry["tolerance"].get(key, entry["tolerance"].get("*"))
        assert value == pytest.approx(
            entry["expected"][key], **{k: tolerance[k] for k in ("abs", "rel") if k in tolerance}
        )


@pytest.mark.parametrize("altitude_m", PRINTED_ALTITUDES_M)
def test_rows_of_table_one_come_out(altitude_m):
    air = standard_air(altitude_m)
    assert_like(
        check_value(f"atm.geometric.{altitude_m}"),
        H_m=float(geopotential_from_altitude(altitude_m)),
        T_K=float(air.temperature_k),
        p_Pa=float(air.pressure_pa),
        rho_kg_m3=float(air.density_kg_m3),
        a_m_s=float(air.sound_mps),
    )


@pytest.mark.parametrize("geopotential_m", [0, 11000, 20000, 32000, 47000])
def test_layer_bases_are_the_standards(geopotential_m):
    air = standard_air_at_geopotential(geopotential_m)
    assert_like(
        check_value(f"atm.geopotential.{geopotential_m}"),
        T_K=float(air.temperature_k),
        p_Pa=float(air.pressure_pa),
        rho_kg_m3=float(air.density_kg_m3),
    )


@pytest.mark.parametrize("hpa", [850, 700, 500, 300, 200, 100, 50, 20, 12, 10, 5])
def test_pressure_altitudes_are_the_published_ones(hpa):
    entry = check_value(f"atm.pressure_altitude.{hpa}hPa")
    height = pressure_altitude_m(hpa * 100.0)
    assert_like(entry, H_m=float(height), Z_m=float(altitude_from_geopotential(height)))


def test_the_library_ussa1976_agrees_everywhere_to_80_km():
    ussa1976 = pytest.importorskip("ussa1976")
    z = np.arange(0.0, 79500.0, 500.0)
    theirs, ours = ussa1976.compute(z=z), standard_air(z)
    np.testing.assert_allclose(ours.temperature_k, theirs["t"].values, rtol=2e-5)
    np.testing.assert_allclose(ours.pressure_pa, theirs["p"].values, rtol=2e-5)
    np.testing.assert_allclose(ours.density_kg_m3, theirs["rho"].values, rtol=4e-5)


def test_the_library_ambiance_agrees_everywhere_to_79_km():
    ambiance = pytest.importorskip("ambiance")
    z = np.arange(-4900.0, 79000.0, 700.0)
    theirs, ours = ambiance.Atmosphere(z), standard_air(z)
    np.testing.assert_allclose(ours.temperature_k, theirs.temperature, rtol=1e-5)
    np.testing.assert_allclose(ours.pressure_pa, theirs.pressure, rtol=1e-4)
    np.testing.assert_allclose(ours.sound_mps, theirs.speed_of_sound, rtol=1e-4)
    np.testing.assert_allclose(viscosity_pa_s(ours.temperature_k), theirs.dynamic_viscosity, rtol=1e-4)
    np.testing.assert_allclose(gravity_mps2(z), theirs.grav_accel, rtol=1e-6)


def test_gravity_and_viscosity_are_the_standards():
    entry = check_value("atm.gravity")
    np.testing.assert_allclose(gravity_mps2(entry["inputs"]["Z_m"]), entry["expected"]["g"], atol=1e-5)
    entry = check_value("atm.viscosity")
    np.testing.assert_allclose(viscosity_pa_s(entry["inputs"]["T_K"]), entry["expected"]["mu"], rtol=2e-4)


def test_a_one_layer_formula_would_be_kilometres_wrong():
    entry = check_value("atm.trap.44330")
    true_height = float(pressure_altitude_m(entry["inputs"]["p_Pa"]))
    assert true_height == pytest.approx(entry["expected"]["true_H_m"], abs=2)
    assert true_height - entry["expected"]["formula_m"] > 4000


@given(st.floats(-4900.0, ALTITUDE_M_MAX - 1.0))
def test_pressure_altitude_undoes_the_standard_atmosphere(altitude_m):
    back = altitude_from_geopotential(pressure_altitude_m(standard_air(altitude_m).pressure_pa))
    assert float(back) == pytest.approx(altitude_m, abs=1e-5)


@given(st.floats(-4900.0, 79000.0))
def test_geopotential_and_altitude_undo_each_other(altitude_m):
    assert float(altitude_from_geopotential(geopotential_from_altitude(altitude_m))) == pytest.approx(
        altitude_m, abs=1e-7
    )


def test_the_thickness_of_a_layer_is_the_difference_of_its_heights():
    # isothermal layer of the standard, 11 to 20 geopotential km: the hypsometric equation is exact
    low, high = standard_air_at_geopotential([11000.0, 20000.0]).pressure_pa
    assert float(thickness_m(low, high, 216.65)) == pytest.approx(9000.0, abs=1e-6)


def test_gaps_pass_through_and_shapes_are_kept():
    table = np.array([[0.0, np.nan], [11000.0, 30000.0]])
    air = standard_air(table)
    assert air.pressure_pa.shape == (2, 2)
    assert np.isnan(air.pressure_pa[0, 1])
    assert np.isnan(pressure_altitude_m([np.nan, 1000.0])[0])


@pytest.mark.parametrize("pressure_pa", [0.0, -3850.0, 0.5, 300000.0, np.inf])
def test_a_pressure_outside_the_model_is_refused_by_name(pressure_pa):
    with pytest.raises(ValueError, match=r"pressure_pa\[1\] = .* Pa is outside"):
        pressure_altitude_m([50000.0, pressure_pa])


@pytest.mark.parametrize("altitude_m", [-6000.0, 85000.0, np.inf])
def test_a_height_outside_the_model_is_refused(altitude_m):
    with pytest.raises(ValueError, match=r"altitude_m = .* m is outside -4996.07 to 79994.1 m"):
        standard_air(altitude_m)

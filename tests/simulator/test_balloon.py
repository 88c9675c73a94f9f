"""Up and down: published examples, a real fall, and an integration by other means.

Sources: `data/check_values.json` phys.* (each with its own source), scipy's solve_ivp as the independent integrator,
the dropsonde of tests/data/soundings/SOURCES.md as a real fall.
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from ground.atmosphere import air_density_kg_m3, gravity_mps2, standard_air, viscosity_pa_s
from ground.errors import InputError
from ground.simulator.air import sounding_profile
from ground.simulator.balloon import (
    MOLAR_MASS,
    ascent_speed_mps,
    descent_mass_kg,
    descent_speed_mps,
    drag_fit,
    fly_vertically,
    lift_of,
)
from ground.simulator.sounding import load_sounding
from tests.check_values import check_value
from tests.simulator.flights import no_gust, scenario_with, still_standard_air

STEP_S = 0.2
FOLDER = Path(__file__).parents[1] / "data" / "soundings"
# The example of phys.ascent.example: 3.0 m3 of helium, 0.6 kg of balloon, 1.0 kg below it.
EXAMPLE = {
    "launch": {"altitude_m": 0.0},
    "payload": {"mass_kg": 1.0},
    "balloon": {
        "mass_kg": 0.6,
        "gas": "helium",
        "free_lift_kg": 1.5672,
        "burst_diameter_m": 8.0,
        "drag_law": "constant",
    },
    "landing": {"altitude_m": 0.0},
}


def flown(gust=no_gust, **tables):
    return fly_vertically(scenario_with(**tables), still_standard_air(), STEP_S, gust)


def example(**balloon):
    return EXAMPLE | {"balloon": EXAMPLE["balloon"] | balloon}


@pytest.mark.parametrize(("gas", "symbol"), [("helium", "He"), ("hydrogen", "H2")])
def test_molar_masses_give_the_published_gas_densities_and_lifts(gas, symbol):
    molar = check_value("phys.molar_mass")["expected"]
    assert MOLAR_MASS[gas] == molar[f"{symbol}_g_mol"]
    for kelvin, density in zip((288.15, 273.15), check_value("phys.gas_density")["expected"][symbol], strict=True):
        assert 101325.0 * MOLAR_MASS[gas] / (molar["R_J_mol_K"] * 1000.0 * kelvin) == pytest.approx(density, rel=1.5e-3)
    lift = lift_of(scenario_with(balloon={"gas": gas}).balloon, scenario_with().payload)
    gross_per_m3 = (lift.displaced_kg - lift.gas_kg) / lift.volume_m3(1.225)
    assert gross_per_m3 == pytest.approx(check_value("phys.lift")["expected"][f"{symbol}_kg_m3"], rel=1e-3)


def test_the_ascent_example_comes_out():
    expected = check_value("phys.ascent.example")["expected"]
    scenario = scenario_with(**EXAMPLE)
    lift = lift_of(scenario.balloon, scenario.payload)
    assert lift.volume_m3(1.225) == pytest.approx(3.0, rel=1e-3)
    assert lift.diameter_m(1.225) == pytest.approx(expected["diameter_m"], rel=1e-3)
    assert lift.displaced_kg - lift.gas_kg == pytest.approx(expected["gross_lift_kg"], rel=1e-3)
    for drag in (0.25, 0.3, 0.47):
        speed = ascent_speed_mps(lift.free_lift_kg, 1.225, drag, lift.diameter_m(1.225))
        assert speed == pytest.approx(expected["v_m_s"][f"Cd {drag:g}"], rel=1e-3)


@pytest.mark.parametrize("drag", [0.25, 0.3, 0.47])
def test_a_released_balloon_reaches_the_examples_speed_within_seconds(drag):
    rise = flown(**example(drag_coefficient=drag))
    assert rise.climb_mps[0] == 0.0
    assert rise.climb_mps[50] == pytest.approx(
        check_value("phys.ascent.example")["expected"]["v_m_s"][f"Cd {drag:g}"], rel=5e-3
    )


@pytest.mark.parametrize("index", [0, 1])
def test_the_burst_example_comes_out(index):
    entry = check_value("phys.burst.example")
    rise = flown(**example(burst_diameter_m=entry["inputs"]["D_burst_m"][index]))
    burst_m = rise.altitude_m[rise.burst_row]
    assert burst_m == pytest.approx(entry["expected"]["Z_m"][index], abs=20)
    assert burst_m > rise.altitude_m[rise.burst_row - 1]


def test_speeds_scale_with_density_as_published():
    entry = check_value("phys.scaling")["expected"]
    scenario = scenario_with(**EXAMPLE)
    lift = lift_of(scenario.balloon, scenario.payload)
    density = standard_air(check_value("phys.scaling")["inputs"]["Z_m"]).density_kg_m3
    diameter = [lift.diameter_m(rho) for rho in density]
    up = [ascent_speed_mps(1.0, rho, 0.3, d) for rho, d in zip(density, diameter, strict=True)]
    down = [descent_speed_mps(1.0, rho, 0.75, 1.0) for rho in density]
    np.testing.assert_allclose(np.array(diameter) / diameter[0], entry["diameter (1/3)"], rtol=5e-4)
    np.testing.assert_allclose(np.array(up) / up[0], entry["ascent at constant Cd (1/6)"], rtol=5e-4)
    np.testing.assert_allclose(np.array(down) / down[0], entry["parachute (1/2)"], rtol=5e-4)


def test_the_published_drag_fit_comes_out():
    entry = check_value("phys.cd.balloon")
    for reynolds, drag in zip(entry["inputs"]["Re"], entry["expected"]["Cd"], strict=True):
        assert drag_fit(reynolds) == pytest.approx(drag, abs=0.005)


def test_with_the_fit_the_example_rises_at_30_km_hardly_faster_than_at_launch():
    # phys.reynolds: "with the fit of phys.cd.balloon the speed at 30 km is only about 1.15 times that at launch"
    rise = flown(**example(drag_law="reynolds", drag_coefficient=0.3))
    up = slice(0, rise.burst_row)
    at_30_km = np.interp(30000.0, rise.altitude_m[up], rise.climb_mps[up])
    assert at_30_km / rise.climb_mps[50] == pytest.approx(1.15, abs=0.06)


def test_the_descent_example_comes_out():
    entry = check_value("phys.descent.example")
    altitudes = entry["inputs"]["Z_m"]
    air = standard_air(altitudes)
    speeds = [
        descent_speed_mps(1.5, rho, 0.75, 1.2, g)
        for rho, g in zip(air.density_kg_m3, gravity_mps2(altitudes), strict=True)
    ]
    np.testing.assert_allclose(speeds, entry["expected"]["v_m_s"], rtol=2e-3)


def test_the_flown_descent_takes_the_examples_times():
    entry = check_value("phys.descent.example")["expected"]
    tables = example(remnant_fraction=0.0) | {
        "payload": {"mass_kg": 1.5},
        "parachute": {"diameter_m": 1.2, "drag_coefficient": 0.75},
    }
    fall = flown(**tables)
    down = fall.altitude_m[fall.burst_row :]
    for start, seconds in (("10 km", 1468), ("20 km", 2237), ("30 km", 2588)):
        assert seconds == entry["fall_time_s_from"][start]
        rows = np.count_nonzero(down < float(start.split()[0]) * 1000.0)
        assert rows * STEP_S == pytest.approx(seconds, rel=0.004), start
    assert -fall.climb_mps[-2] == pytest.approx(entry["v_m_s"][0], rel=2e-3)


def test_after_the_burst_the_box_falls_freely_before_the_canopy_brakes_it():
    fall = flown(**example(burst_diameter_m=8.0))
    drop = fall.climb_mps[fall.burst_row :]
    acceleration = np.diff(drop[:6]) / STEP_S
    assert np.all(acceleration < -9.0)  # thin air: nearly the whole gravity for the first second
    assert 30.0 < -drop.min() < 120.0


@pytest.mark.parametrize(("law", "updraft"), [("constant", 0.0), ("reynolds", 0.7)])
def test_an_independent_integrator_flies_the_same_flight(law, updraft):
    from scipy.integrate import solve_ivp

    scenario = scenario_with(**example(drag_law=law, remnant_fraction=0.3))
    ours = flown(gust=lambda _t: updraft, **example(drag_law=law, remnant_fraction=0.3))
    balloon, parachute = scenario.balloon, scenario.parachute
    molar = {"air": 28.9644, "gas": 4.002602}
    gross = 1.5672 + 0.6 + 1.0
    displaced = gross / (1.0 - molar["gas"] / molar["air"])
    inertia = displaced - gross + 0.6 + 1.0 + displaced / 2.0

    def sphere(z):
        air = standard_air(z)
        rho = air.pressure_pa / (287.0529 * air.temperature_k)
        return rho, (6.0 * displaced / rho / math.pi) ** (1.0 / 3.0), viscosity_pa_s(air.temperature_k)

    def drag(re):
        x = math.log(re)
        return 0.04808 * x * x - 1.406 * x + 10.490

    rho, diameter, viscosity = sphere(0.0)
    first = math.sqrt(2 * 9.80665 * 1.5672 / (rho * balloon.drag_coefficient * math.pi / 4 * diameter**2))
    launch_drag = drag(rho * first * diameter / viscosity)

    def up(_t, state):
        z, v = state
        rho, diameter, viscosity = sphere(z)
        cd, slip = balloon.drag_coefficient, v - updraft
        if law == "reynolds":
            cd *= drag(min(max(rho * abs(slip) * diameter / viscosity, 2e4), 2.2e6)) / launch_drag
        force = 1.5672 * float(gravity_mps2(z)) - rho * cd * math.pi / 8 * diameter**2 * slip * abs(slip)
        return v, force / inertia

    def burst(_t, state):
        return sphere(state[0])[1] - balloon.burst_diameter_m

    burst.terminal = True
    rise = solve_ivp(up, (0, 20000), (0.0, 0.0), events=burst, rtol=1e-9, atol=1e-6, dense_output=True, max_step=30.0)
    assert ours.burst_row * STEP_S == pytest.approx(rise.t_events[0][0], abs=STEP_S + 0.05)
    at = np.arange(0, ours.burst_row, 500)
    np.testing.assert_allclose(ours.altitude_m[at], rise.sol(at * STEP_S)[0], atol=0.5)
    np.testing.assert_allclose(ours.climb_mps[at], rise.sol(at * STEP_S)[1], atol=0.005)

    start = ours.burst_row * STEP_S
    mass = 1.0 + 0.3 * 0.6
    area = parachute.drag_coefficient * math.pi / 4 * parachute.diameter_m**2

    def down(t, state):
        z, v = state
        opened = 1 - 0.9 * math.exp(-(t - start) / parachute.opening_s)
        rho = float(air_density_kg_m3(standard_air(z).pressure_pa, standard_air(z).temperature_k))
        slip = v - updraft
        return v, -float(gravity_mps2(z)) - rho * area * opened * slip * abs(slip) / (2 * mass)

    def ground(_t, state):
        return state[0]

    ground.terminal = True
    state = (ours.altitude_m[ours.burst_row], ours.climb_mps[ours.burst_row])
    fall = solve_ivp(
        down, (start, start + 20000), state, events=ground, rtol=1e-9, atol=1e-6, dense_output=True, max_step=20.0
    )
    last = len(ours.altitude_m) - 1
    assert last * STEP_S == pytest.approx(fall.t_events[0][0], abs=STEP_S + 0.05)
    at = np.arange(ours.burst_row, last, 100)
    np.testing.assert_allclose(ours.altitude_m[at], fall.sol(at * STEP_S)[0], atol=0.5)
    np.testing.assert_allclose(ours.climb_mps[at], fall.sol(at * STEP_S)[1], atol=0.02)


def test_a_large_canopy_in_dense_air_is_stepped_finely_enough_to_stay_calm():
    fall = flown(**example(burst_diameter_m=1.9), parachute={"diameter_m": 10.0, "drag_coefficient": 2.0})
    speed = -fall.climb_mps[-500:-1]
    mass = descent_mass_kg(scenario_with(**example(burst_diameter_m=1.9)))
    assert speed.max() < 1.1 * descent_speed_mps(mass, 1.1, 2.0, 10.0)
    assert np.all(np.diff(fall.altitude_m[fall.burst_row + 100 :]) < 0)
    seconds = (len(fall.altitude_m) - fall.burst_row) * STEP_S
    assert seconds == pytest.approx(fall.altitude_m[fall.burst_row] / speed.mean(), rel=0.1)


def test_a_real_drop_falls_as_one_drag_coefficient_says():
    """The measured fall of a dropsonde through the very air it measured; only its drag area is fitted, once."""
    air = sounding_profile(load_sounding(next(FOLDER.glob("s6_*.csv"))))
    with open(FOLDER / "drop_s6_northsea.track.csv", newline="", encoding="utf-8") as handle:
        track = np.array([[float(row["time_s"]), float(row["height_m"])] for row in csv.DictReader(handle)])
    time, height = track[track[:, 1] < 7500.0].T

    def seconds_for(high, low, pace):
        """Computed time between two heights with drag area 1 m2 and mass 1 kg, times `pace`."""
        fine = np.linspace(low, high, 2000)
        return pace * np.trapezoid(
            [1.0 / descent_speed_mps(1.0, rho, 1.0, 1.0) for rho in air.density_kg_m3(fine)], fine
        )

    def measured_s(high, low):
        return float(np.diff(np.interp([high, low], height[::-1], time[::-1]))[0])

    pace = measured_s(7400.0, 4000.0) / seconds_for(7400.0, 4000.0, 1.0)
    # Density grows by half on the way down. The drop's own scatter is 3 % (9.8 to 10.4 m/s at 1.225 kg/m3).
    assert seconds_for(4000.0, 100.0, pace) == pytest.approx(measured_s(4000.0, 100.0), rel=0.03)
    assert seconds_for(4000.0, 100.0, pace) / 3900.0 > 1.15 * measured_s(7400.0, 4000.0) / 3400.0


def test_a_sinking_gust_does_not_push_the_box_into_the_launch_meadow():
    rise = flown(gust=lambda t: -8.0 if t < 20.0 else 0.0, **EXAMPLE)
    assert rise.altitude_m[: rise.burst_row].min() >= 0.0


def refusal(**tables):
    with pytest.raises(InputError) as error:
        flown(**tables)
    assert "\n" not in str(error.value)
    return str(error.value)


def test_a_balloon_that_outlives_the_air_is_refused():
    assert refusal(**example(burst_diameter_m=30.0)).startswith(
        "balloon.burst_diameter_m = 30 would be reached above 54 km"
    )


def test_a_burst_below_the_landing_place_is_refused():
    tables = example(burst_diameter_m=1.85) | {"landing": {"altitude_m": 3000.0}}
    assert refusal(**tables).startswith("landing.altitude_m = 3000 is above the burst at")


def test_a_flight_that_does_not_end_is_refused(monkeypatch):
    monkeypatch.setattr("ground.simulator.balloon.FLIGHT_S_MAX", 7200.0)
    line = refusal(**example(free_lift_kg=0.0001, drag_coefficient=2.0))
    assert "after 2 h: too slow to end; check balloon.free_lift_kg = 0.0001" in line

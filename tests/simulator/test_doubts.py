"""What a simulated flight says of itself: what would be dangerous, what is not to be believed, and its few numbers."""

import math
from datetime import UTC, datetime

import pytest

from ground.simulator.doubts import doubts, drop_height_m, film_g_m2
from ground.simulator.flown import lines_of_flight
from ground.simulator.scenario import load_scenario
from ground.simulator.world import build_world


def calm(**changes):
    """The shipped calm flight with `table__key=value` changed."""
    scenario = load_scenario("calm")
    for name, value in changes.items():
        table, key = name.split("__")
        part = getattr(scenario, table).model_copy(update={key: value})
        scenario = scenario.model_copy(update={table: part})
    return scenario


def said(scenario, rise_mps=5.0, launch_m=1.5, landing_mps=5.0, measured=False, lowest_v=4.5):
    import numpy as np

    return doubts(scenario, {"battery_v": np.array([5.0, lowest_v, 4.9])}, rise_mps, launch_m, landing_mps, measured)


def test_a_good_flight_is_not_doubted():
    assert said(calm()) == []
    assert build_world(calm()).facts["notes"] == []
    assert build_world(load_scenario("demo")).facts["notes"] == []


def test_a_box_that_would_land_hard_is_a_danger_with_the_height_of_a_fall_that_is_like_it():
    world = build_world(calm(parachute__diameter_m=0.3))
    (line,) = world.facts["notes"]
    assert line.startswith("DANGER: it lands with 17 m/s (62 km/h), as from a fall of 15 m")
    assert "parachute.diameter_m" in line
    # by hand, in the air of 380 m (1.181 kg/m3 in the table of the standard): m g = 1/2 rho Cd A v^2
    mass = 0.8 + 0.4 * 0.35
    by_hand = math.sqrt(2 * mass * 9.80665 / (1.181 * 0.75 * math.pi / 4 * 0.3**2))
    assert world.facts["landing_mps"] == pytest.approx(by_hand, rel=2e-3)
    assert drop_height_m(9.80665) == pytest.approx(9.80665 / 2)  # one second of falling: g/2


def test_a_landing_that_is_gentle_in_dense_air_is_told_where_the_ground_is_high():
    assert not said(calm(), landing_mps=6.9)
    assert said(calm(), landing_mps=7.1)[0].startswith("DANGER: it lands with 7 m/s")


def test_a_balloon_that_hardly_rises_is_a_danger_to_wires_and_roads():
    (line,) = build_world(calm(balloon__free_lift_kg=0.05)).facts["notes"]
    assert line.startswith("DANGER: it rises with only 1.") and "wires" in line and "balloon.free_lift_kg" in line


def test_one_drag_coefficient_all_the_way_up_is_said_to_be_too_fast_by_as_much_as_it_is():
    world = build_world(calm(balloon__drag_law="constant", atmosphere__vertical_gust_mps=0.0))
    (line,) = world.facts["notes"]
    climb, row = world.columns["climb_mps"], round(world.facts["released_s"] / 0.2)
    flown = climb[round(world.facts["burst_s"] / 0.2) - 5] / climb[row + 60 * 5]
    assert f"it rises {flown:.1f} times as fast" in line and '"reynolds"' in line
    assert said(calm(balloon__drag_law="constant", balloon__burst_diameter_m=2.9)) == []


def test_a_burst_diameter_that_no_latex_reaches_is_doubted():
    assert film_g_m2(calm(balloon__mass_kg=1.0, balloon__burst_diameter_m=2.0).balloon) == pytest.approx(
        79.577, rel=1e-4
    )
    (thin,) = said(calm(balloon__burst_diameter_m=8.0))
    assert thin.startswith("a balloon of 0.35 kg that bursts at 8 m has 1.7 g of latex on a square metre")
    (thick,) = said(calm(balloon__burst_diameter_m=2.0))
    assert "27.9 g of latex" in thick
    for mass_kg, burst_m in (
        (0.03, 0.88),
        (0.1, 1.96),
        (0.6, 6.0),
        (1.0, 7.9),
        (3.0, 13.0),
    ):  # makers' tables, from memory
        assert said(calm(balloon__mass_kg=mass_kg, balloon__burst_diameter_m=burst_m)) == []


@pytest.mark.parametrize(
    ("latitude_deg", "word"), [(3.0, "colder near 17 km"), (-78.0, "colder in winter"), (78.0, "winter")]
)
def test_standard_air_far_from_the_middle_latitudes_is_said_to_be_too_mild(latitude_deg, word):
    (line,) = said(calm(launch__latitude_deg=latitude_deg))
    assert word in line and f"at {abs(latitude_deg):.0f} degrees" in line and "--sounding" in line
    assert said(calm(launch__latitude_deg=latitude_deg), measured=True) == []


def test_a_battery_below_its_empty_voltage_is_doubted_for_the_simulated_board_goes_on():
    (line,) = said(calm(), lowest_v=3.55)
    assert "3.55 V" in line and "battery.empty_v = 3.6" in line
    assert said(calm(), lowest_v=3.6) == []


# The few lines at the end of `fly` ---------------------------------------------------------------------------------


def test_the_lines_of_a_flight_hold_its_numbers_with_units_and_what_they_are_worth():
    scenario = calm()
    facts = build_world(scenario).facts
    text = " ".join(" ".join(lines_of_flight(scenario, facts)).split())
    for number, unit in ((facts["gas_volume_m3"], "m3 of pure hydrogen"), (facts["launch_diameter_m"], "m whose neck")):
        assert f"{number:.2f} {unit}" in text
    assert "holds 1.60 kg" in text  # 0.8 kg of payload and 0.8 kg of free lift
    assert f"{facts['burst_altitude_m']:,.0f} m, 1 h" in text
    assert "invented wind, so no prediction" in text
    assert "never permission" in text and "hydrogen" in text


def test_a_measured_wind_is_no_prediction_either_and_a_sounding_without_one_is_not_called_windy(tmp_path):
    path = tmp_path / "air.csv"
    head = "pressure_hpa,height_m,temperature_c,dewpoint_c,wind_from_deg,wind_speed_ms"
    rows = ("1000,110,15,,{0}", "850,1490,6,,{0}", "700,3042,-3,,{0}", "500,5600,-19,,{0}")
    for wind, said in (
        ("270,12", "in the wind of air.csv; another hour"),
        (",", "in calm air, for air.csv has no wind"),
    ):
        path.write_text("\n".join([head, *(row.format(wind) for row in rows)]), encoding="utf-8")
        facts = build_world(calm(), sounding_path=path).facts
        text = " ".join(" ".join(lines_of_flight(calm(), facts)).split())
        assert said in text and "so no prediction" in text


def test_gas_lifts_what_handbooks_say_it_lifts():
    """At 0 C and 1013.25 hPa a cubic metre of helium lifts 1.114 kg, one of hydrogen 1.203 kg.

    Densities of handbook tables: air 1.2928, helium 0.1785, hydrogen 0.0899 kg/m3 (from memory).
    """
    for gas, lift_kg_m3 in (("helium", 1.2928 - 0.1785), ("hydrogen", 1.2928 - 0.0899)):
        scenario = calm(
            balloon__gas=gas, launch__altitude_m=0.0, landing__altitude_m=0.0, atmosphere__temperature_offset_c=-15.0
        )
        facts = build_world(scenario).facts
        lifted = scenario.balloon.mass_kg + scenario.payload.mass_kg + scenario.balloon.free_lift_kg
        assert lifted / facts["gas_volume_m3"] == pytest.approx(lift_kg_m3, rel=2e-3)


def test_the_direction_of_the_drift_is_where_the_box_went():
    scenario = calm(launch__utc=datetime(2027, 5, 22, 4, 40, tzinfo=UTC))
    facts = dict(build_world(scenario).facts)
    for east, north, word in ((0.0, 1.0, "0 degrees (north)"), (-1.0, 0.0, "(west)"), (0.5, -0.334, "(south-east)")):
        facts["landing_latitude_deg"] = scenario.launch.latitude_deg + north
        facts["landing_longitude_deg"] = scenario.launch.longitude_deg + east
        assert word in " ".join(lines_of_flight(scenario, facts))

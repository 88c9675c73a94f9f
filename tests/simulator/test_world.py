"""Whole worlds: the shipped flights look like flights, repeat bit for bit, and say the truth in the agreed form."""

import json
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from ground.atmosphere import standard_air
from ground.errors import InputError
from ground.simulator.scenario import load_scenario
from ground.simulator.world import build_world
from tests.simulator.flights import scenario_with

FOLDER = Path(__file__).parents[1] / "data" / "soundings"
CHIP_COLUMNS = (
    "altitude_m latitude_deg longitude_deg climb_mps speed_east_mps speed_north_mps geoid_separation_m pressure_hpa "
    "air_temperature_c box_c probe_outside_c probe_inside_c panel_bus_v panel_current_ma battery_v"
).split()
DESIGN_NAMES = "utc latitude_deg longitude_deg altitude_m pressure_hpa air_temperature_c climb_mps phase".split()


@pytest.fixture(scope="module")
def demo():
    return build_world(load_scenario("demo"))


@pytest.fixture(scope="module")
def truth(demo):
    return demo.truth()


def test_every_column_the_chips_read_is_there_and_finite(demo):
    assert set(CHIP_COLUMNS) <= set(demo.columns)
    assert {len(column) for column in demo.columns.values()} == {len(demo.columns["altitude_m"])}
    for name, column in demo.columns.items():
        assert column.dtype == np.float64, name
        assert np.all(np.isfinite(column)), name


def test_the_demo_is_a_flight_of_two_and_a_half_hours_to_30_km(demo):
    facts = demo.facts
    assert facts["released_s"] == 600.0
    assert 29_000 < facts["burst_altitude_m"] < 31_500
    assert 2.3 < facts["end_s"] / 3600.0 < 2.75
    assert facts["burst_altitude_m"] == demo.columns["altitude_m"].max() or facts["burst_altitude_m"] > 29_000
    assert 3.0 < facts["landing_speed_mps"] < 7.0
    assert facts["gas_volume_m3"] > 1.0


def test_the_demos_power_cut_falls_into_the_ascent(demo):
    (cut,) = demo.scenario.faults
    row = round((demo.facts["released_s"] + cut.at_s) * 1000 / demo.step_ms)
    assert demo.columns["altitude_m"][row] > 5000.0
    assert demo.facts["released_s"] + cut.at_s + cut.for_s < demo.facts["burst_s"]


def test_the_start_is_the_release_less_the_wait(demo):
    assert demo.start_utc == datetime(2026, 9, 19, 4, 20, tzinfo=UTC) - timedelta(seconds=600)
    assert demo.step_ms == 200


def test_the_truth_has_the_designs_names_first_and_iso_moments(truth, demo):
    assert list(truth)[: len(DESIGN_NAMES)] == DESIGN_NAMES
    assert truth["utc"][0] == "2026-09-19T04:10:00.000Z"
    assert truth["utc"][61] == "2026-09-19T04:11:01.000Z"
    assert len(truth["utc"]) == int(demo.facts["end_s"]) + 1
    np.testing.assert_array_equal(truth["altitude_m"], demo.columns["altitude_m"][::5])


def test_the_phases_follow_each_other_at_release_burst_and_landing(truth, demo):
    changes = np.flatnonzero(truth["phase"][1:] != truth["phase"][:-1]) + 1
    assert [truth["phase"][0], *truth["phase"][changes]] == ["ground", "ascending", "descending", "landed"]
    assert changes == pytest.approx([demo.facts[name] for name in ("released_s", "burst_s", "landed_s")], abs=1.0)
    assert np.all(truth["climb_mps"][truth["phase"] == "ground"] == 0.0)
    assert truth["altitude_m"][truth["phase"] == "landed"] == pytest.approx(demo.scenario.landing.altitude_m, abs=1e-9)
    assert np.mean(truth["climb_mps"][truth["phase"] == "ascending"] > 0.0) > 0.99
    assert np.mean(truth["climb_mps"][truth["phase"] == "descending"] < 0.0) > 0.99


def test_speeds_are_the_changes_of_position(demo):
    columns = demo.columns
    climb = np.gradient(columns["altitude_m"], 0.2)
    flying = slice(3010, round(demo.facts["burst_s"] * 5) - 5)
    np.testing.assert_allclose(climb[flying], columns["climb_mps"][flying], atol=0.15)
    north = np.gradient(np.deg2rad(columns["latitude_deg"]), 0.2) * (6378137.0 * 0.99889 + columns["altitude_m"])
    assert np.abs(north - columns["speed_north_mps"])[flying].max() < 0.3
    assert columns["speed_east_mps"][0] == columns["speed_east_mps"][-1] == 0.0


def test_the_demos_air_is_the_standards_made_warmer_and_deeper(demo):
    columns, atmosphere = demo.columns, demo.scenario.atmosphere
    standard = standard_air(columns["altitude_m"])
    offset = columns["air_temperature_c"] + 273.15 - standard.temperature_k
    np.testing.assert_allclose(offset, atmosphere.temperature_offset_c, atol=0.001)
    ground = columns["altitude_m"] < 500.0
    deeper = columns["pressure_hpa"] * 100.0 / standard.pressure_pa
    assert deeper[ground] == pytest.approx(atmosphere.sea_level_pressure_hpa / 1013.25, rel=1e-3)


def test_without_offsets_the_air_is_the_standard_atmosphere():
    columns = build_world(scenario_with("calm")).columns
    np.testing.assert_allclose(
        columns["pressure_hpa"] * 100.0, standard_air(columns["altitude_m"]).pressure_pa, rtol=1e-6
    )


def test_temperatures_are_ordered_as_heat_flows(demo):
    columns = demo.columns
    assert columns["air_temperature_c"].min() < -50.0
    assert -40.0 < columns["box_c"].min() < 0.0
    # going down into the cold the probe is late and therefore warmer than the air; so it is in the sun
    falling = slice(3200, 9000)
    late = columns["probe_outside_c"][falling] - columns["air_temperature_c"][falling]
    assert 0.2 < late.mean() < 2.0
    high = columns["altitude_m"] > 28_000.0
    assert 1.0 < (columns["probe_outside_c"] - columns["air_temperature_c"])[high].mean() < 6.0
    assert np.abs(columns["probe_inside_c"] - columns["box_c"]).max() < 3.0


def test_the_panel_gives_more_at_height_and_never_more_than_its_light(demo):
    columns, panel = demo.columns, demo.scenario.panel
    bus, current = columns["panel_bus_v"], columns["panel_current_ma"]
    np.testing.assert_allclose(bus, current / 1000.0 * panel.load_ohm, rtol=1e-9)
    assert np.all(current >= 0.0)
    limit = panel.short_circuit_current_ma * columns["irradiance_wm2"] / 1000.0
    assert np.all(current <= 1.02 * limit + 0.01)
    facing = columns["incidence_deg"] < 25.0
    low = facing & (columns["altitude_m"] < 2000.0) & (columns["phase"] == 1)
    high = facing & (columns["altitude_m"] > 25_000.0)
    assert 1.25 < np.median(current[high]) / np.median(current[low]) < 1.6  # direct light: 800 to 1280 W/m2
    away = columns["incidence_deg"] > 95.0
    assert np.median(current[away & (columns["altitude_m"] > 25_000.0)]) < 0.1 * np.median(current[high])


def test_the_panel_turns_through_light_and_shadow(demo):
    rising = demo.columns["phase"] == 1
    incidence = demo.columns["incidence_deg"][rising]
    assert incidence.min() < 30.0 < 80.0 < incidence.max()


def test_the_battery_sags_in_the_cold_and_recovers(demo):
    volts = demo.columns["battery_v"]
    coldest = int(np.argmin(demo.columns["box_c"]))
    assert volts[coldest - 500 : coldest + 500].mean() < volts[:500].mean() - 0.1
    assert volts[-500:].mean() > volts[coldest - 500 : coldest + 500].mean() + 0.05


def test_a_flight_at_night_has_no_sun():
    columns = build_world(scenario_with("calm", launch={"utc": datetime(2027, 5, 22, 18, 0, tzinfo=UTC)})).columns
    assert columns["sun_elevation_deg"].max() < -9.0
    assert columns["irradiance_wm2"].max() == 0.0
    assert columns["panel_current_ma"].max() < 1e-6


def test_the_same_seed_makes_the_same_world_bit_for_bit():
    one, other = (build_world(load_scenario("calm"), seed=5) for _ in range(2))
    for name, column in one.columns.items():
        assert column.tobytes() == other.columns[name].tobytes(), name


def test_the_same_seed_makes_the_same_world_in_another_process():
    program = (
        "from hashlib import sha256; from ground.simulator.scenario import load_scenario\n"
        "from ground.simulator.world import build_world\n"
        "w = build_world(load_scenario('calm'), seed=5)\n"
        "print(sha256(b''.join(w.columns[n].tobytes() for n in sorted(w.columns))).hexdigest())"
    )
    run = [
        subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]
        ).stdout
        for _ in range(2)
    ]
    assert run[0] == run[1] != ""


def test_another_seed_makes_another_wind_and_spin():
    one, other = (build_world(load_scenario("calm"), seed=seed) for seed in (5, 6))
    assert one.facts["landing_longitude_deg"] != other.facts["landing_longitude_deg"]
    assert one.columns["incidence_deg"][0] != other.columns["incidence_deg"][0]


@pytest.mark.parametrize("path", sorted(FOLDER.glob("s*.csv")), ids=lambda path: path.stem)
def test_a_flight_through_a_measured_sounding_has_its_air(path):
    world = build_world(load_scenario("calm"), sounding_path=path)
    assert world.facts["air"] == path.name
    table = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()[1:]]
    levels = np.array(sorted((float(r[1]), float(r[0]), float(r[2])) for r in table if r[0] and r[1] and r[2])).T
    columns = world.columns
    inside = (columns["altitude_m"] >= levels[0][0]) & (columns["altitude_m"] <= levels[0][-1])
    assert inside.sum() > 1000
    expected = np.exp(np.interp(columns["altitude_m"][inside], levels[0], np.log(levels[1])))
    # plain interpolation of ln p against ours, which is hydrostatic within a layer: coarse soundings differ most
    np.testing.assert_allclose(columns["pressure_hpa"][inside], expected, rtol=0.01, atol=0.06)
    between = np.interp(columns["altitude_m"][inside], levels[0], levels[2])
    assert np.abs(columns["air_temperature_c"][inside] - between).max() < 0.5


def test_the_scenarios_own_sounding_is_flown_and_one_given_by_hand_goes_first():
    first, second = sorted(FOLDER.glob("s*.csv"))[:2]
    scenario = scenario_with("calm", atmosphere={"sounding": str(first)})
    assert build_world(scenario).facts["air"] == first.name
    assert build_world(scenario, sounding_path=second).facts["air"] == second.name


def test_a_flight_beyond_its_sounding_says_which_part_of_the_air_is_assumed(tmp_path):
    def assumed(low_m, high_m):
        rows = ["pressure_hpa,height_m,temperature_c,dewpoint_c,wind_from_deg,wind_speed_ms"]
        for height in range(low_m, high_m + 1, 500):
            air = standard_air(float(height))
            rows.append(f"{air.pressure_pa / 100:.3f},{height},{air.temperature_k - 273.15:.2f},,270,5")
        path = tmp_path / f"{low_m}.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return build_world(load_scenario("calm"), sounding_path=path).facts["notes"]

    assert assumed(0, 35000) == []
    below, above = assumed(1000, 20000)
    assert "begins at 1000 m" in below and "380 m" in below
    assert "ends at 20000 m" in above


def test_geopotential_heights_move_the_air_up():
    path = next(FOLDER.glob("s1_*.csv"))
    plain = build_world(scenario_with("calm", atmosphere={"sounding": str(path)}))
    converted = build_world(
        scenario_with("calm", atmosphere={"sounding": str(path), "sounding_heights": "geopotential"})
    )
    assert 60.0 < converted.facts["burst_altitude_m"] - plain.facts["burst_altitude_m"] < 160.0


def test_an_inside_probe_and_more_probes_each_get_a_column():
    probes = [
        {"chip": "ds18b20", "name": "top", "place": "outside"},
        {"chip": "ds18b20", "name": "cells", "place": "inside"},
        {"chip": "ds18b20", "name": "lid", "place": "outside", "sun_heating_c": 5.0},
    ]
    columns = build_world(scenario_with("calm", sensors={"temperature": probes})).columns
    assert {"probe_top_c", "probe_cells_c", "probe_lid_c"} <= set(columns)
    assert columns["probe_lid_c"].mean() > columns["probe_top_c"].mean() + 3.0
    assert columns["probe_cells_c"].mean() > columns["probe_top_c"].mean() + 10.0


def test_no_wait_means_a_release_at_power_up():
    world = build_world(scenario_with("calm", launch={"wait_s": 0.0}))
    assert world.start_utc == world.scenario.launch.utc
    assert world.truth()["phase"][0] == "ascending"


def test_a_fault_beyond_the_end_of_the_flight_is_refused():
    scenario = scenario_with("calm", faults=[{"kind": "receiver_restart", "at_s": 90000.0}])
    with pytest.raises(
        InputError, match=r"^faults\[0\].at_s = 90000 lies, or lasts, beyond the end of the flight, \d+ s after"
    ):
        build_world(scenario)


def test_the_truth_is_written_as_parquet_with_units_and_descriptions(demo, truth, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "truth.parquet"
    demo.write_truth(path)
    table = parquet.read_table(path)
    assert table.column_names == list(truth)
    assert str(table.schema.field("utc").type) == str(table.schema.field("phase").type) == "string"
    for name in table.column_names:
        field = table.schema.field(name)
        assert field.metadata[b"description"], name
        if name not in ("utc", "phase"):
            assert field.metadata[b"unit"], name
            np.testing.assert_array_equal(table[name].to_numpy(), truth[name])
    assert table["utc"][0].as_py() == truth["utc"][0]
    facts = json.loads(table.schema.metadata[b"facts"])
    assert facts["burst_altitude_m"] == demo.facts["burst_altitude_m"]
    assert json.loads(table.schema.metadata[b"scenario"])["name"] == demo.scenario.name


def test_a_world_cannot_be_changed_by_its_readers(demo):
    with pytest.raises(ValueError, match="read-only"):
        demo.columns["altitude_m"][0] = 1.0


def test_heavy_libraries_are_imported_only_when_a_world_is_built():
    program = (
        "import sys, ground.simulator.world, ground.simulator.scenario, ground.atmosphere\n"
        "print([m for m in ('pvlib', 'scipy', 'pandas', 'pyarrow') if m in sys.modules])"
    )
    root = Path(__file__).parents[2]
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=root)
    assert run.stdout.strip() == "[]"

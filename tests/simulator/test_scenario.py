"""Scenario files: the shipped ones load, and every slip gets one line that says what, where and what is allowed."""

import tomllib
from datetime import UTC, datetime

import pytest

from ground.errors import InputError
from ground.simulator.scenario import SCENARIO_DIR, load_scenario, parse_scenario, shipped_scenarios

DEMO = (SCENARIO_DIR / "demo.toml").read_text(encoding="utf-8")


def refusal(tmp_path, text):
    """The one line that a scenario file of this text is refused with, without the file's name."""
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_scenario(path)
    line = str(error.value)
    assert "\n" not in line
    assert line.startswith(f"{path}: ")
    return line[len(f"{path}: ") :]


def changed(old, new):
    assert old in DEMO
    return DEMO.replace(old, new)


@pytest.mark.parametrize("name", shipped_scenarios())
def test_shipped_scenarios_load_by_name(name):
    scenario = load_scenario(name)
    assert scenario.launch.utc.tzinfo is not None
    assert scenario.launch.utc.year in (2026, 2027)


def test_the_demo_has_one_restart_in_flight_and_the_calm_flight_no_fault():
    assert [fault.kind for fault in load_scenario("demo").faults] == ["power_cut"]
    assert load_scenario("demo").faults[0].at_s > 0
    assert load_scenario("calm").faults == []


def test_tables_that_are_left_out_have_the_default_wiring(tmp_path):
    sensors = load_scenario("calm").sensors
    assert [(chip.chip, chip.name) for _, chip in sensors.all()] == [
        ("ms5611", "pressure"),
        ("ds18b20", "outside"),
        ("ds18b20", "inside"),
        ("ina219", "panel"),
        ("adc", "battery"),
    ]
    assert sensors.pressure[0].address == 0x77
    assert sensors.power[0].shunt_ohm == 0.1


def test_a_date_may_stand_in_quotes(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(changed("2026-09-19T04:20:00Z", '"2026-09-19T04:20:00Z"'), encoding="utf-8")
    assert load_scenario(path).launch.utc == datetime(2026, 9, 19, 4, 20, tzinfo=UTC)


def test_a_soundings_relative_path_counts_from_the_scenarios_folder(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(changed("[atmosphere]", '[atmosphere]\nsounding = "up/air.csv"'), encoding="utf-8")
    assert load_scenario(path).atmosphere.sounding == str(tmp_path / "up" / "air.csv")


SLIPS = {
    "misspelt key": (
        "free_lift_kg = 0.95",
        "free_lift = 0.95",
        "balloon.free_lift is not a known key; did you mean balloon.free_lift_kg?",
    ),
    "misspelt table": ("[parachute]", "[parashute]", "parashute is not a known key; did you mean parachute?"),
    "key in the wrong table": (
        "[payload]",
        "[payload]\nwait_s = 5.0",
        "payload.wait_s is not a known key; did you mean launch.wait_s?",
    ),
    "quite unknown key": (
        "[payload]",
        "[payload]\nxyzzy = 5",
        "payload.xyzzy is not a known key; known keys here: mass_kg",
    ),
    "too small": (
        "mass_kg = 0.95",
        "mass_kg = -1.0",
        "payload.mass_kg = -1.0 must be a number from 0.02 to 20 (everything below the neck: box, parachute, line, "
        "reflector)",
    ),
    "grams for kilograms": (
        "mass_kg = 0.95",
        "mass_kg = 950",
        "payload.mass_kg = 950 must be a number from 0.02 to 20",
    ),
    "no free lift": (
        "free_lift_kg = 0.95",
        "free_lift_kg = 0.0",
        "balloon.free_lift_kg = 0.0 must be a number above 0 and at most 20",
    ),
    "text for a number": ("mass_kg = 0.95", 'mass_kg = "0.95"', 'payload.mass_kg = "0.95" must be a number from'),
    "true for a number": ("mass_kg = 0.95", "mass_kg = true", "payload.mass_kg = true must be a number from"),
    "not a number": ("mass_kg = 0.95", "mass_kg = nan", "payload.mass_kg = nan must be a number from"),
    "infinite": ("mass_kg = 0.95", "mass_kg = inf", "payload.mass_kg = inf must be a number from"),
    "unknown gas": ('gas = "helium"', 'gas = "methane"', 'balloon.gas = "methane" must be one of: helium, hydrogen'),
    "latitude off the globe": ("latitude_deg = 48.3127", "latitude_deg = 95.0", "launch.latitude_deg = 95.0 must be"),
    "missing key": ("altitude_m = 412.0\n", "", "launch.altitude_m is missing; it must be a number from -430 to 6000"),
    "missing table": ("[payload]\nmass_kg = 0.95", "", "payload is missing; it must be a table of keys"),
    "date without zone": (
        "04:20:00Z",
        "04:20:00",
        "launch.utc = 2026-09-19T04:20:00 must be a moment in UTC, with the Z: 2026-09-19T04:30:00Z",
    ),
    "date in another zone": (
        "04:20:00Z",
        "04:20:00+05:00",
        "launch.utc = 2026-09-19T04:20:00+05:00 must be a moment in UTC",
    ),
    "no date": ("2026-09-19T04:20:00Z", '"tomorrow"', 'launch.utc = "tomorrow" must be a moment in UTC'),
    "date of another age": ("2026-09-19", "1926-09-19", "launch.utc = 1926-09-19T04:20:00+00:00 must lie in the years"),
    "unknown chip": (
        'chip = "ms5611"',
        'chip = "ms5612"',
        'sensors.pressure[0].chip = "ms5612" is not known; allowed: ms5611, bmp280, bme280',
    ),
    "chip's address": (
        "address = 0x77",
        "address = 0x40",
        "sensors.pressure[0].address = 0x40 must be one of: 0x76, 0x77",
    ),
    "address beyond the pins": (
        "address = 0x40",
        "address = 0x50",
        "sensors.power[0].address = 0x50 must be from 0x40 to 0x4F",
    ),
    "chip's unknown key": (
        "shunt_ohm = 0.1",
        "shunt_ohms = 0.1",
        "sensors.power[0].shunt_ohms is not a known key; did you mean sensors.power[0].shunt_ohm?",
    ),
    "one table for a list": (
        "[[sensors.pressure]]",
        "[sensors.pressure]",
        "must be a list of tables, [[sensors.pressure]]",
    ),
    "two probes of one name": (
        'name = "inside"',
        'name = "outside"',
        'sensors.temperature[1].name = "outside" is taken by sensors.temperature[0]; give each chip its own name',
    ),
    "a name that is no column": (
        'name = "inside"',
        'name = "In Side"',
        'sensors.temperature[1].name = "In Side" must be a name of lower-case letters',
    ),
    "unknown fault": (
        'kind = "power_cut"',
        'kind = "powercut"',
        'faults[0].kind = "powercut" is not known; allowed: power_cut, receiver_restart, missing_chip',
    ),
    "fault without kind": (
        'kind = "power_cut"\n',
        "",
        "faults[0].kind is missing; allowed: power_cut, receiver_restart, missing_chip",
    ),
    "fault's value": (
        "for_s = 6.0",
        "for_s = -6.0",
        "faults[0].for_s = -6.0 must be a number above 0 and at most 7200",
    ),
    "fault's key": (
        "for_s = 6.0",
        "fors_s = 6.0",
        "faults[0].fors_s is not a known key; did you mean faults[0].for_s?",
    ),
    "fault before power-up": (
        "at_s = 2400.0",
        "at_s = -700.0",
        "faults[0].at_s = -700 is before power-up, launch.wait_s = 600",
    ),
    "missing chip that is not there": (
        "[[faults]]",
        '[[faults]]\nkind = "missing_chip"\nchip = "camera"\n\n[[faults]]',
        'faults[0].chip = "camera" is no chip of this scenario; known: gnss, pressure, outside, inside, panel, battery',
    ),
    "two cuts at once": (
        "[[faults]]",
        '[[faults]]\nkind = "power_cut"\nat_s = 2395.0\nfor_s = 20.0\n\n[[faults]]',
        "faults[1].at_s = 2400 begins before the power cut of faults[0] has ended, at 2415",
    ),
    "burst before launch": (
        "burst_diameter_m = 6.6",
        "burst_diameter_m = 1.6",
        "balloon.burst_diameter_m = 1.6 must be larger than the diameter at launch, 1.6",
    ),
    "parachute in the wrong unit": (
        "diameter_m = 1.2",
        "diameter_m = 0.12",
        "parachute.diameter_m = 0.12 lets payload.mass_kg = 0.95 land at 42 m/s; up to 40 m/s can be simulated",
    ),
    "panel of no make": (
        "[box]",
        "[panel]\nmax_power_voltage_v = 6.65\n\n[box]",
        "panel.max_power_voltage_v = 6.65 must be 0.5 to 0.95 of panel.open_circuit_voltage_v = 6.6",
    ),
    "battery upside down": (
        "[box]",
        "[battery]\nfull_v = 3.0\n\n[box]",
        "battery.full_v = 3 must be larger than battery.empty_v = 3.6",
    ),
    "name of two lines": (
        '"Lindenhaugh meadow"',
        '"Linden\\nhaugh"',
        r'launch.place = "Linden\nhaugh" must be a line of printable text',
    ),
    "no TOML": ("[payload]", "[payload", "is not valid TOML: "),
    "a key twice": ("mass_kg = 0.95", "mass_kg = 0.95\nmass_kg = 0.95", "is not valid TOML: "),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_gets_one_line_with_key_value_and_what_is_allowed(slip, tmp_path):
    old, new, line = SLIPS[slip]
    assert line in refusal(tmp_path, changed(old, new))


def test_a_value_in_place_of_a_table_is_named(tmp_path):
    text = "payload = 3\n" + changed("[payload]\nmass_kg = 0.95", "")
    assert refusal(tmp_path, text).startswith("payload = 3 must be a table of keys, [payload]")


def test_several_slips_are_counted(tmp_path):
    text = changed("mass_kg = 0.95", "mass_kg = -1").replace("wait_s = 600.0", "wait_s = -5")
    assert refusal(tmp_path, text).endswith("(and 1 more wrong value)")


def test_a_misspelt_key_is_told_as_one_slip(tmp_path):
    assert "more wrong" not in refusal(tmp_path, changed("free_lift_kg", "freelift_kg"))


def test_an_unknown_name_tells_the_nearest_one():
    with pytest.raises(InputError, match=r"^dmeo: there is no such scenario.*did you mean demo\?$"):
        load_scenario("dmeo")


def test_a_missing_file_tells_the_shipped_names(tmp_path):
    with pytest.raises(InputError, match="shipped scenarios: calm, demo"):
        load_scenario(tmp_path / "nowhere.toml")


def test_a_picture_is_no_scenario(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF")
    with pytest.raises(InputError, match="is not a text file; a scenario is a TOML file"):
        load_scenario(path)


def test_a_folder_is_no_scenario(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_scenario(tmp_path)


def test_a_name_without_the_ending_of_its_file_is_understood_as_that(tmp_path):
    (tmp_path / "ours.toml").write_text(DEMO, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_scenario(tmp_path / "ours")
    assert str(error.value).endswith(f"did you mean {tmp_path / 'ours'}.toml?")


def test_a_file_with_little_in_it_tells_what_is_missing_first(tmp_path):
    assert refusal(tmp_path, 'name = "x"\n').startswith("launch is missing; it must be a table of keys")


def test_a_value_that_is_bounded_on_one_side_only_is_refused_with_that_bound(tmp_path):
    said = refusal(tmp_path, changed("[landing]", "[card]\nfree_mib = -1.0\n\n[landing]"))
    assert said.startswith("card.free_mib = -1.0 must be a number of at least 0 (what other files leave")


def test_a_time_of_day_for_a_moment_is_shown_as_it_was_written(tmp_path):
    said = refusal(tmp_path, changed("2026-09-19T04:20:00Z", "04:20:00"))
    assert said.startswith("launch.utc = 04:20:00 must be a moment in UTC, with the Z")


def test_every_number_has_its_unit_in_its_name():
    units = ("_s", "_m", "_kg", "_deg", "_c", "_mps", "_hpa", "_v", "_ma", "_ohm", "_mv", "_mah", "_mib", "_pa", "_cm")
    units += ("_wm2", "_j_m2k", "_pct_per_c", "_pct", "_per_c", "_kib")
    pure = {"seed", "drag_coefficient", "remnant_fraction", "wind_factor", "surface_share", "cells_in_series", "baud"}
    pure |= {"sun_absorption", "aerosol_optical_depth", "ground_albedo", "address", "satellites"}

    def numbers(value, path=""):
        for key, part in value.items():
            if isinstance(part, dict):
                yield from numbers(part, f"{path}{key}.")
            elif isinstance(part, list):
                for item in part:
                    yield from numbers(item, f"{path}{key}[].")
            elif isinstance(part, (int, float)):
                yield path, key

    for path, key in numbers(load_scenario("demo").model_dump()):
        assert key in pure or key.endswith(units), f"{path}{key}"


def answer(raw):
    """What a scenario of this dict is answered with: "" or the line of the refusal."""
    try:
        parse_scenario(raw, "here")
    except InputError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("value", [None, [], {}, "", -1, 1e400, [[1]], [{}], {"a": {"b": 1}}, datetime(2026, 1, 1)])
def test_whatever_stands_in_a_table_is_answered_with_a_scenario_or_one_line(value):
    demo = tomllib.loads(DEMO)
    for table, content in demo.items():
        assert "\n" not in answer({**demo, table: value})
        if isinstance(content, dict):
            assert answer({**demo, table: {**content, "x": value}}).startswith(f"here: {table}.x is not a known key")
            for key in content:
                assert "\n" not in answer({**demo, table: {**content, key: value}})

"""Whole flights with each set of chips that a team could buy, decoded and held against the truth of the simulated
world.

The tolerances are the data sheets' (ground/decode/readings/chips.py, tests/data/check_values.json); the virtual parts
draw their errors inside them. The flights burst at some 16 km, far above the 9 km to which a BMP280 is rated.
"""

import numpy as np
import pyarrow.parquet as pq
import pytest

from ground.decode import decode
from ground.simulator.flight import fly
from tests.journeys.flights import Flown
from tests.simulator.flights import scenario_with

TMP117_OUTSIDE = {"chip": "tmp117", "name": "outside"}
TMP117_INSIDE = {"chip": "tmp117", "name": "inside", "place": "inside", "address": 0x49, "time_constant_s": 40.0,
                 "sun_heating_c": 0.0}  # fmt: skip
DS18B20_OUTSIDE = {"chip": "ds18b20", "name": "outside"}
DS18B20_INSIDE = {"chip": "ds18b20", "name": "inside", "place": "inside", "time_constant_s": 40.0, "sun_heating_c": 0.0}
SETS = {
    "bosch": {"pressure": [{"chip": "bme280"}], "temperature": [TMP117_OUTSIDE, TMP117_INSIDE],
              "power": [{"chip": "ina226"}]},
    "mixed": {"pressure": [{"chip": "bmp280", "address": 0x77}], "temperature": [TMP117_OUTSIDE, DS18B20_INSIDE],
              "power": [{"chip": "ina219"}]},
    "plain": {"pressure": [{"chip": "ms5611", "address": 0x76}], "temperature": [DS18B20_OUTSIDE, TMP117_INSIDE],
              "power": [{"chip": "ina226", "address": 0x44}]},
}  # fmt: skip
PRESSURE_ERROR_HPA = {"ms5611": 2.5, "bmp280": 1.7, "bme280": 1.7}
TEMPERATURE_ERROR_C = {"tmp117": 0.25, "ds18b20": 2.0}


def small_flight(sensors, **tables):
    return scenario_with("calm", sensors=sensors, launch={"wait_s": 60.0}, landing={"stay_s": 150.0},
                         balloon={"free_lift_kg": 2.5, "burst_diameter_m": 3.6}, **tables)  # fmt: skip


def flown(folder, scenario, **options):
    flight = fly(scenario, folder, **options)
    return Flown(folder, flight, decode(folder / "card.img", folder))


@pytest.fixture(scope="module", params=list(SETS))
def journey(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    return request.param, flown(folder, small_flight(SETS[request.param]))


def columns(table, *names):
    return [np.array(table[name], dtype=float) for name in names]


def against_truth(journey, name, truth_name, at_height=None):
    """Differences at the seconds that both tables have, and the truth there."""
    table, truth = journey.flight_table(), journey.truth()
    row_of = {utc[:19]: row for row, utc in enumerate(truth["utc"])}
    pairs = [(row, row_of[utc[:19]]) for row, utc in enumerate(table["utc"]) if utc[:19] in row_of]
    ours, theirs = np.array(pairs).T
    values, true = np.array(table[name], dtype=float)[ours], np.array(truth[truth_name], dtype=float)[theirs]
    assert np.isfinite(values).mean() > 0.93
    return (values - true)[np.isfinite(values)], true[np.isfinite(values)]


def test_no_chip_has_anything_to_complain_about(journey):
    _name, flight = journey
    assert flight.flight.complaints() == []


def test_every_chip_is_found_and_never_lost(journey):
    _name, flight = journey
    events = flight.table("event")
    text = "\n".join(events["text"])
    assert "stopped answering" not in text and "not what it should be" not in text and "does not answer at" not in text
    present = [source for name, source in zip(events["name"], events["source"], strict=True) if name == "chip_present"]
    assert [source for source in present if source != "battery"] == ["pressure", "power", "temperature", "temperature"]
    assert "self-test: 1" in text


def test_pressure_is_the_worlds_within_the_data_sheet_where_the_chip_is_rated(journey):
    name, flight = journey
    chip = SETS[name]["pressure"][0]["chip"]
    error, true = against_truth(flight, "pressure_hpa", "pressure_hpa")
    rated_from = 300.0 if chip != "ms5611" else 450.0
    assert true.min() < 120.0
    assert np.abs(error[true > rated_from]).max() < PRESSURE_ERROR_HPA[chip]
    assert np.abs(error).max() < 5.0  # beyond the rating: given as computed, not clamped


def test_pressure_below_300_hpa_is_flagged_for_the_chips_that_end_there_and_only_for_them(journey):
    name, flight = journey
    chip = SETS[name]["pressure"][0]["chip"]
    table = flight.table("pressure")
    assert set(table["sensor"]) == {chip}
    hpa = np.array(table["pressure_hpa"])
    outside = np.array(["out_of_range" in flags for flags in table["flags"]])
    low = 300.0 if chip != "ms5611" else 10.0
    cold = np.array(table["temperature_c"]) < -40.0
    assert (outside == ((hpa < low) | cold)).all()
    assert len(np.unique(hpa[hpa < 300.0])) > 1000  # no flat line


def test_temperatures_are_those_of_the_elements(journey):
    name, flight = journey
    for probe in SETS[name]["temperature"]:
        error, _true = against_truth(flight, f"temperature_{probe['name']}_c", f"probe_{probe['name']}_c")
        assert np.abs(error).max() < TEMPERATURE_ERROR_C[probe["chip"]] + 0.1  # a reading is a second old


def test_panel_is_the_worlds(journey):
    _name, flight = journey
    for column, part in (("panel_bus_v", 0.02), ("panel_current_ma", 0.02)):
        error, true = against_truth(flight, column, column)
        assert np.median(np.abs(error)) < part * max(1.0, np.median(np.abs(true)))


def test_humidity_is_there_where_a_chip_measures_it(journey):
    name, flight = journey
    has_it = SETS[name]["pressure"][0]["chip"] == "bme280"
    assert (flight.folder / "tables" / "humidity.parquet").exists() == has_it
    if has_it:
        error, _true = against_truth(flight, "humidity_pct", "box_humidity_pct")
        assert np.abs(error).max() < 3.0


def test_metadata_tell_each_chips_rating(journey):
    name, flight = journey
    rated = {
        "ms5611": b"10 to 1200 hPa (MS5611",
        "bmp280": b"300 to 1100 hPa (BMP280",
        "bme280": b"300 to 1100 hPa (BME280",
    }
    field = pq.read_schema(flight.folder / "tables" / "pressure.parquet").field("pressure_hpa")
    assert field.metadata[b"rated"].startswith(rated[SETS[name]["pressure"][0]["chip"]])
    field = pq.read_schema(flight.folder / "tables" / "temperature.parquet").field("temperature_c")
    for probe in SETS[name]["temperature"]:
        assert probe["chip"].upper().encode() in field.metadata[b"rated"]
        assert probe["chip"].upper().encode() in field.metadata[b"accuracy"]


def test_phases_are_those_of_the_flight(journey):
    _name, flight = journey
    table, truth = flight.flight_table(), flight.truth()
    right = {utc[:19]: phase for utc, phase in zip(truth["utc"], truth["phase"], strict=True)}
    same = [
        phase == right[utc[:19]] for utc, phase in zip(table["utc"], table["phase"], strict=True) if utc[:19] in right
    ]
    assert np.mean(same) > 0.99
    phases = [line for line in flight.table("event")["text"] if line.startswith("flight phase")]
    assert [line.split()[2] for line in phases] == ["0", "1", "2", "3"]


@pytest.fixture(scope="module")
def swapped(tmp_path_factory):
    """`auto`: an MS5611 at first; 20 minutes after the release a BMP280 answers at its address for 5 minutes."""
    folder = tmp_path_factory.mktemp("swapped")
    fault = {"kind": "swapped_chip", "chip": "pressure", "by": "bmp280", "at_s": 1200.0, "for_s": 300.0}
    scenario = small_flight({"pressure": [{"chip": "ms5611"}]}, faults=[fault])
    return flown(folder, scenario, settings={"pressure_chip": "auto"})


def test_a_chip_put_in_anothers_place_is_identified_anew(swapped):
    events = swapped.table("event")
    said = [(text, a, b) for text, a, b in zip(events["text"], events["a"], events["b"], strict=True)]
    identified = [(a, b) for text, a, b in said if "is a number" in text]
    assert identified == [(0x77, 1), (0x77, 5), (0x77, 1)]
    assert sum("stopped answering" in text or "restarted by itself" in text for text, _, _ in said) == 2
    assert sum("answers again" in text for text, _, _ in said) == 2


def test_each_reading_is_converted_with_the_calibration_of_its_own_chip(swapped):
    table, truth = swapped.table("pressure"), swapped.truth()
    sensors = np.array(table["sensor"])
    hpa, utc = np.array(table["pressure_hpa"], dtype=float), table["utc"]
    true = dict(zip((moment[:19] for moment in truth["utc"]), truth["pressure_hpa"], strict=True))
    error = np.array([value - true.get(moment[:19], np.nan) for value, moment in zip(hpa, utc, strict=True)])
    for sensor in ("ms5611", "bmp280"):
        mine = sensors == sensor
        assert mine.sum() > 2000
        assert np.nanmax(np.abs(error[mine])) < 6.0, sensor
    changes = [str(one) for one in sensors[np.flatnonzero(np.r_[True, sensors[1:] != sensors[:-1]])]]
    assert changes == ["ms5611", "bmp280", "ms5611"]


def test_nothing_else_suffers_from_the_swap(swapped):
    """Every other chip's readings are there: no gap longer than its period."""
    for name, column, gap_ms in (("power", "channel", 1000), ("temperature", "probe", 1600)):
        table = swapped.table(name)
        times, names = np.array(table["t_ms"]), np.array(table[column])
        for one in np.unique(names):
            own = times[names == one]
            flying = own[own < own.max() - 160_000]  # landed, the board reads less often
            assert np.diff(flying).max() <= gap_ms, (name, one)


def test_a_swap_that_the_settings_do_not_allow_is_refused_and_said_once(tmp_path):
    fault = {"kind": "swapped_chip", "chip": "panel", "by": "ina219", "at_s": 30.0, "for_s": 100.0}
    scenario = small_flight({"power": [{"chip": "ina226"}]}, faults=[fault])
    journey = flown(tmp_path, scenario, stop_after_s=260.0)
    texts = journey.table("event")["text"]
    assert sum("is not what it should be" in text for text in texts) == 1, texts
    assert sum("answers again" in text for text in texts) == 1
    power = journey.table("power")
    assert max(np.diff(power["t_ms"])) < 115_000 and power["t_ms"][-1] > 240_000

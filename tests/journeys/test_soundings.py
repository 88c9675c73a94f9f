"""Flights through measured soundings: what the decoder says agrees with the sounding and with the truth table.

Soundings and their sources: tests/data/soundings/SOURCES.md.
"""

import csv
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from tests.journeys.flights import fly_and_decode

SOUNDINGS = sorted((Path(__file__).parents[1] / "data" / "soundings").glob("s*.csv"))


def moment(text):
    return datetime.fromisoformat(text).timestamp()


def sounding_levels(path):
    """Height, pressure, temperature of the levels that have all three, by height; read apart from the project."""
    with open(path, newline="", encoding="utf-8") as handle:
        wanted = ("pressure_hpa", "temperature_c", "height_m")
        rows = [row for row in csv.DictReader(handle) if all(row[name] for name in wanted)]
    levels = np.array(sorted((float(r["height_m"]), float(r["pressure_hpa"]), float(r["temperature_c"])) for r in rows))
    return levels.T


def phase_start(truth, phase):
    return moment(truth["utc"][truth["phase"].index(phase)])


@pytest.mark.parametrize("path", SOUNDINGS, ids=lambda path: path.stem)
def test_flight_through_a_measured_sounding_agrees_with_it(path, tmp_path):
    flown = fly_and_decode(tmp_path / "flight", sounding=path)
    truth = {name: np.array(values) for name, values in flown.truth().items() if name not in ("utc", "phase")}
    truth_s = np.array([moment(text) for text in flown.truth()["utc"]])
    height, pressure, _temperature = sounding_levels(path)

    # pressure: decoded, against the sounding at the height where the box truly was
    table = flown.table("pressure")
    at = np.array([moment(text) for text in table["utc"]])
    true_height = np.interp(at, truth_s, truth["altitude_m"])
    measured = np.array(table["pressure_hpa"])
    inside = (true_height >= height[0]) & (true_height <= height[-1])
    expected = np.exp(np.interp(true_height[inside], height, np.log(pressure)))
    assert inside.sum() > 1000
    # MS5611 data sheet: +-2.5 mbar over the rated pressure range; the virtual part draws its bias inside that
    assert np.abs(measured[inside] - expected).max() <= 2.5

    # temperature of the outside probe: its accuracy (0.5 degC, 2 degC below -10 degC, data sheet) and its lag
    table = flown.table("temperature")
    outside = np.array([name == "outside" for name in table["probe"]])
    at = np.array([moment(text) for text, keep in zip(table["utc"], outside, strict=True) if keep])
    measured = np.array(table["temperature_c"])[outside]
    element = np.interp(at, truth_s, truth["probe_outside_c"])  # the true temperature of the sensing element
    assert np.abs(measured - element).max() <= 2.1
    air = np.interp(at, truth_s, truth["air_temperature_c"])
    assert np.abs(measured - air).max() <= 25  # the lag in the burst's first minutes; bounds a gross mix-up

    # track: against the truth within the receiver's noise
    table = flown.table("fix")
    good = [n for n, kind in enumerate(table["fix_type"]) if kind == "3d"]
    at = np.array([moment(table["gnss_utc"][n]) for n in good])
    for column, metres in (("latitude_deg", 111_200), ("longitude_deg", 111_200), ("altitude_m", 1)):
        error = (np.array([table[column][n] for n in good]) - np.interp(at, truth_s, truth[column])) * metres
        assert np.abs(np.median(error)) < 5, column
        assert np.percentile(np.abs(error), 99) < 30, column

    # what the decoder says of the flight as a whole
    result = flown.decoded.results
    assert result["apogee_m"] == pytest.approx(truth["altitude_m"].max(), abs=30)
    for name, phase in (("launch_utc", "ascending"), ("burst_utc", "descending"), ("landing_utc", "landed")):
        assert moment(result[name]) == pytest.approx(phase_start(flown.truth(), phase), abs=5), name

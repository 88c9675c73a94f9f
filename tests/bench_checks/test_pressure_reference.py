"""From a QNH to the pressure at a table, against other people's atmospheres."""

import ambiance
import pytest

from ground.bench.answers import Answers, Reading
from ground.bench.checks.pressure import expected_pressure, station_from_qnh


@pytest.mark.parametrize("elevation_m", [0.0, 388.0, 1500.0, 2560.0])
def test_standard_qnh_gives_the_icao_atmosphere(elevation_m):
    """ambiance implements ICAO Doc 7488; its heights are geometric, ours counted as geopotential: 1 m at 2500 m."""
    theirs = float(ambiance.Atmosphere(elevation_m).pressure[0]) / 100.0
    assert station_from_qnh(1013.25, elevation_m) == pytest.approx(theirs, abs=0.1)


@pytest.mark.parametrize("qnh", [985.0, 1003.0, 1030.0])
@pytest.mark.parametrize("elevation_m", [-10.0, 430.0, 1200.0])
def test_any_qnh_agrees_with_the_weather_services_formula(qnh, elevation_m):
    """Altimeter setting from station pressure (Smithsonian Meteorological Tables, 6th ed., table 62; U.S. National
    Weather Service): A^n = p^n + 1013.25^n x 0.0065/288 x h with n = 0.190284, here without its 0.3 hPa for the cabin.
    Constants from memory.
    """
    n = 0.190284
    theirs = (qnh**n - 1013.25**n * 0.0065 / 288.0 * elevation_m) ** (1.0 / n)
    assert station_from_qnh(qnh, elevation_m) == pytest.approx(theirs, abs=0.15)


def test_an_airfield_at_sea_level_has_its_own_qnh():
    assert station_from_qnh(998.7, 0.0) == pytest.approx(998.7, abs=1e-6)


def test_uncertain_elevation_makes_an_uncertain_pressure():
    value, own, said = expected_pressure(Answers(qnh_hpa=Reading(1013.25, 0.0), elevation_m=Reading(100.0, 10.0)))
    assert own == pytest.approx(1.2, abs=0.05)  # 8.3 m to a hectopascal near the ground
    assert value == pytest.approx(1001.3, abs=0.1) and "QNH" in said


def test_station_pressure_wins_over_a_qnh():
    answers = Answers(Reading(990.0, 0.5), Reading(1013.0, 1.0), Reading(0.0, 5.0))
    assert expected_pressure(answers)[0] == 990.0


def test_nothing_typed_in_is_nothing_expected():
    assert expected_pressure(Answers(qnh_hpa=Reading(1013.0, 1.0))) is None

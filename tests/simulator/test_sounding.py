"""Soundings as they were measured: all of them load and give their own values back; wrong files get one line.

Soundings, sources and licences: tests/data/soundings/SOURCES.md.
"""

import csv
import math
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ground.atmosphere import G0_MPS2, R_AIR, altitude_from_geopotential, gravity_mps2, standard_air
from ground.errors import InputError
from ground.simulator.air import sounding_profile
from ground.simulator.sounding import load_sounding

FOLDER = Path(__file__).parents[1] / "data" / "soundings"
MEASURED = sorted(FOLDER.glob("s*.csv"))
HEADER = "pressure_hpa,height_m,temperature_c,dewpoint_c,wind_from_deg,wind_speed_ms"
ROWS = ("1000,110,15,10,270,5", "850,1490,6,0,280,9", "700,3042,-3,-9,290,15", "500,5600,-19,-30,300,24")

measured = pytest.mark.parametrize("path", MEASURED, ids=lambda path: path.stem)


def columns_of(path, *names):
    """Columns of the rows that have all of them, read by the standard library alone."""
    with open(path, newline="", encoding="utf-8") as handle:
        rows = [[row[name] for name in names] for row in csv.DictReader(handle)]
    return np.array([[float(cell) for cell in row] for row in rows if all(row)]).T


def written(tmp_path, rows=ROWS, header=HEADER):
    path = tmp_path / "air.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def refusal(path):
    """The one line that a sounding is refused with, without the file's name."""
    with pytest.raises(InputError) as error:
        load_sounding(path)
    line = str(error.value)
    assert "\n" not in line
    assert line.startswith(str(path))
    return line[len(str(path)) :]


@measured
def test_the_air_has_a_measured_soundings_pressure_and_temperature_at_its_heights(path):
    air = sounding_profile(load_sounding(path))
    pressure, height, temperature = columns_of(path, "pressure_hpa", "height_m", "temperature_c")
    error = np.abs(air.pressure_pa(height) / 100.0 - pressure)
    assert np.median(error / pressure) < 1e-9
    assert error.max() < 0.06  # half a step of 0.1 hPa, where several levels share a rounded pressure (s2)
    assert np.abs(air.temperature_k(height) - 273.15 - temperature).max() < 0.06


@measured
def test_the_air_blows_as_a_measured_sounding_says_at_every_level_with_a_wind(path):
    air = sounding_profile(load_sounding(path))
    height, source, speed = columns_of(path, "height_m", "wind_from_deg", "wind_speed_ms")
    east, north = air.wind_mps(height)
    # Two components by the meteorologist's rule: a wind from 270 degrees blows towards the east.
    np.testing.assert_allclose(east, -speed * np.sin(np.deg2rad(source)), atol=1e-9)
    np.testing.assert_allclose(north, -speed * np.cos(np.deg2rad(source)), atol=1e-9)


def test_wind_only_levels_after_the_others_are_put_in_their_place():
    sounding = load_sounding(next(p for p in MEASURED if p.name.startswith("s4")))
    assert len(sounding.altitude_m) == 58
    assert len(sounding.wind.altitude_m) == 154
    assert np.all(np.diff(sounding.wind.altitude_m) > 0)
    assert np.all(np.diff(sounding.altitude_m) > 0)


@measured
def test_pressure_falls_smoothly_from_below_the_ground_to_60_km(path):
    air = sounding_profile(load_sounding(path))
    heights = np.arange(-900.0, 59900.0, 25.0)
    fall = -np.diff(np.log(air.pressure_pa(heights))) / 25.0
    assert np.all(fall > -1e-12)
    # no step and no plateau above 10 km: every 250 m lose 2 to 7 % (scale heights of 3.5 to 12 km)
    high = np.log(air.pressure_pa(np.arange(10000.0, 59900.0, 250.0)))
    assert np.all((-np.diff(high) > 0.02) & (-np.diff(high) < 0.07))


@measured
def test_outside_its_levels_the_air_is_in_hydrostatic_balance(path):
    sounding = load_sounding(path)
    air = sounding_profile(sounding)
    for low, high in ((-900.0, sounding.altitude_m[0]), (sounding.altitude_m[-1], 55000.0)):
        z = np.linspace(low, high, 4001)
        integral = np.trapezoid(gravity_mps2(z) / (R_AIR * air.temperature_k(z)), z)
        assert math.log(air.pressure_pa(low) / air.pressure_pa(high)) == pytest.approx(integral, rel=2e-4)


@measured
def test_below_its_lowest_level_the_air_is_warmer_by_six_and_a_half_degrees_a_kilometre(path):
    sounding = load_sounding(path)
    below = sounding.altitude_m[0] - 400.0
    assert sounding_profile(sounding).temperature_k(below) - sounding.temperature_k[0] == pytest.approx(2.6, abs=1e-3)


def test_pressures_rounded_to_a_tenth_of_a_hectopascal_make_no_stairs():
    air = sounding_profile(load_sounding(next(FOLDER.glob("s2_*.csv"))))
    fall = -np.diff(np.log(air.pressure_pa(np.arange(20000.0, 35000.0, 50.0))))
    assert 0.003 < fall.min() < fall.max() < 0.015  # 0.7 % every 50 m; the file's own rows: 0 or 2 %


@measured
def test_far_above_its_top_the_air_is_as_warm_as_the_standards(path):
    sounding = load_sounding(path)
    air = sounding_profile(sounding)
    gap = abs(sounding.temperature_k[-1] - standard_air(sounding.altitude_m[-1]).temperature_k)
    for above, share in ((0.0, 1.0), (3000.0, math.exp(-1)), (15000.0, math.exp(-5))):
        z = sounding.altitude_m[-1] + above
        assert abs(air.temperature_k(z) - standard_air(z).temperature_k) == pytest.approx(gap * share, abs=0.1)


@measured
def test_heights_rebuilt_from_pressure_and_temperature_agree(path):
    # hypsometric equation for dry air; humid tropics are 0.3 % off (s2), s3's top by less
    pressure, height, temperature = columns_of(path, "pressure_hpa", "height_m", "temperature_c")
    order = np.argsort(height)
    ln_p, kelvin = np.log(pressure[order]), temperature[order] + 273.15
    thickness = -np.sum(R_AIR / G0_MPS2 * 0.5 * (kelvin[1:] + kelvin[:-1]) * np.diff(ln_p))
    assert thickness == pytest.approx(np.ptp(height), rel=0.005)


def test_the_order_of_rows_and_of_columns_does_not_matter(tmp_path):
    source = next(p for p in MEASURED if p.name.startswith("s4"))
    lines = source.read_text(encoding="utf-8").splitlines()
    table = [line.split(",") for line in lines]
    turned = [",".join(row[i] for i in (5, 2, 0, 4, 3, 1)) for row in table]
    shuffled = turned[1:]
    random.Random(5).shuffle(shuffled)
    path = written(tmp_path, shuffled, header=turned[0])
    one, other = load_sounding(source), load_sounding(path)
    np.testing.assert_array_equal(one.altitude_m, other.altitude_m)
    np.testing.assert_array_equal(one.pressure_pa, other.pressure_pa)
    np.testing.assert_array_equal(one.temperature_k, other.temperature_k)
    np.testing.assert_allclose(one.wind.east_mps, other.wind.east_mps, atol=1e-12)


def test_geopotential_heights_are_converted_when_the_caller_says_so(tmp_path):
    path = written(tmp_path, [*ROWS, "10,31055,-46,-80,90,5"])
    as_it_stands, converted = load_sounding(path), load_sounding(path, heights="geopotential")
    assert as_it_stands.altitude_m[-1] == 31055.0
    assert converted.altitude_m[-1] == pytest.approx(float(altitude_from_geopotential(31055.0)))
    assert converted.altitude_m[-1] - 31055.0 == pytest.approx(152.5, abs=1)  # U.S. Standard Atmosphere: 31055 -> 31207


def test_a_level_without_a_height_is_placed_by_pressure_and_temperature(tmp_path):
    full = load_sounding(written(tmp_path))
    blank = load_sounding(written(tmp_path, [ROWS[0], "850,,6,0,280,9", *ROWS[2:]]))
    assert len(blank.altitude_m) == 4
    assert blank.altitude_m[1] == pytest.approx(full.altitude_m[1], abs=25)
    assert blank.wind.altitude_m[1] == pytest.approx(blank.altitude_m[1], abs=1)


def test_a_level_without_a_temperature_takes_it_from_its_neighbours(tmp_path):
    sounding = load_sounding(written(tmp_path, [ROWS[0], "850,1490,,,280,9", *ROWS[2:]]))
    assert -3 < sounding.temperature_k[1] - 273.15 < 15


def test_blank_lines_spaces_a_byte_order_mark_and_crlf_are_no_matter(tmp_path):
    path = tmp_path / "air.csv"
    text = "\r\n".join(["\ufeff" + HEADER.replace(",", " , "), "", *[row.replace(",", ", ") for row in ROWS], "  ", ""])
    path.write_bytes(text.encode())
    assert load_sounding(path).pressure_pa[0] == 100000.0


def test_further_columns_are_ignored(tmp_path):
    path = written(tmp_path, [f"{row},77" for row in ROWS], header=f"{HEADER},humidity_pct")
    assert len(load_sounding(path).altitude_m) == 4


def test_a_sounding_without_wind_is_calm_and_says_so(tmp_path):
    sounding = load_sounding(written(tmp_path, [",".join([*row.split(",")[:4], "", ""]) for row in ROWS]))
    assert sounding.notes == ("the sounding has no wind: calm air assumed",)
    assert sounding_profile(sounding).wind_mps(20000.0) == (0.0, 0.0)


def test_a_calm_level_needs_no_direction(tmp_path):
    sounding = load_sounding(written(tmp_path, ["1000,110,15,10,,0", *ROWS[1:]]))
    assert sounding.wind.altitude_m[0] == 110.0
    assert sounding.wind.east_mps[0] == 0.0


def swapped(a, b):
    """ROWS with two columns' values exchanged under an unchanged header."""

    def turn(row):
        cells = row.split(",")
        cells[a], cells[b] = cells[b], cells[a]
        return ",".join(cells)

    return [turn(row) for row in ROWS]


def test_a_missing_file_is_told(tmp_path):
    assert refusal(tmp_path / "none.csv") == ": there is no such sounding file; check the name"


def test_a_picture_is_told(tmp_path):
    path = tmp_path / "photo.csv"
    path.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01" + bytes(range(256)) * 20)
    assert refusal(path).startswith(": is not a text file in UTF-8; a sounding is a CSV with the columns pressure_hpa,")


def test_zeros_an_empty_file_and_a_folder_are_told(tmp_path):
    path = tmp_path / "zeros.csv"
    path.write_bytes(bytes(4096))
    assert refusal(path).startswith(": is not a text file")
    path.write_bytes(b"")
    assert refusal(path).startswith(", row 1: is not the header of a sounding; it needs the columns pressure_hpa,")
    assert refusal(tmp_path).startswith(": cannot be read (")


@pytest.mark.parametrize("name", HEADER.split(","))
def test_a_missing_column_is_named(name, tmp_path):
    index = HEADER.split(",").index(name)
    rows = [",".join(c for i, c in enumerate(row.split(",")) if i != index) for row in (HEADER, *ROWS)]
    assert refusal(written(tmp_path, rows[1:], header=rows[0])).startswith(f", row 1: the column {name} is missing")


def test_a_misspelt_column_is_recognised(tmp_path):
    path = written(tmp_path, header=HEADER.replace("height_m", "heigth_m"))
    assert refusal(path) == ", row 1: the column height_m is missing; is heigth_m meant?"


@pytest.mark.parametrize(
    ("name", "other", "unit"),
    [("wind_speed_ms", "wind_speed_kt", "metres a second"), ("height_m", "height_ft", "metres above the sea")],
)
def test_a_column_in_another_unit_is_not_offered_without_a_word_about_the_unit(name, other, unit, tmp_path):
    said = refusal(written(tmp_path, header=HEADER.replace(name, other)))
    assert said.endswith(f"is {other} meant? Then name it so and mind the unit: {name} is in {unit}")


def test_semicolons_and_tabs_with_decimal_commas_give_the_same_air_as_commas_with_points(tmp_path):
    rows = [row.replace("15,10", "15.4,10.2") for row in ROWS]
    plain = load_sounding(written(tmp_path, rows))
    for separator in (";", "\t"):
        for point in (".", ","):
            turned = [row.replace(",", separator).replace(".", point) for row in rows]
            other = load_sounding(written(tmp_path, turned, header=HEADER.replace(",", separator)))
            for one, two in zip(plain[:3], other[:3], strict=True):
                assert np.array_equal(one, two)
            assert np.array_equal(plain.wind.east_mps, other.wind.east_mps)
    assert plain.temperature_k[0] == pytest.approx(288.55)


def test_lines_of_remarks_above_and_capital_letters_in_the_header_do_no_harm(tmp_path):
    path = written(tmp_path, [HEADER.upper(), *ROWS[:3], "500,5600,cold,-30,300,24"], header="# where it was, and when")
    assert refusal(path) == ", row 6, temperature_c: cold is not a number; leave it blank if unknown"
    path = written(tmp_path, [HEADER.upper(), *ROWS], header="# where it was, and when\n# 1000;2;3")
    assert len(load_sounding(path).altitude_m) == len(ROWS)


def test_a_row_of_units_is_called_that(tmp_path):
    path = written(tmp_path, ["hPa,m,C,C,deg,m/s", *ROWS])
    assert refusal(path) == ", row 2: holds no number; if it is a row of units, take it out"


def test_a_sounding_that_ends_low_says_that_its_last_wind_is_held():
    from ground.simulator.scenario import load_scenario
    from ground.simulator.world import build_world

    path = next(path for path in MEASURED if path.stem.startswith("s6"))
    notes = build_world(load_scenario("calm"), sounding_path=path).facts["notes"]
    assert any("the sounding ends at" in note and "its last wind is held" in note for note in notes)


def test_a_column_twice_is_told(tmp_path):
    path = written(tmp_path, [f"{row},5" for row in ROWS], header=f"{HEADER},height_m")
    assert refusal(path) == ", row 1: the column height_m is there 2 times; keep one"


def test_a_text_among_numbers_is_told_with_row_and_column(tmp_path):
    path = written(tmp_path, [ROWS[0], "850,1490,six,0,280,9", *ROWS[2:]])
    assert refusal(path) == ", row 3, temperature_c: six is not a number; leave it blank if unknown"


def test_a_value_too_many_is_told(tmp_path):
    path = written(tmp_path, [ROWS[0], "850,1490,6,0,280,9,1", *ROWS[2:]])
    assert refusal(path).startswith(", row 3: 7 values for 6 columns")


@pytest.mark.parametrize(
    ("cells", "line"),
    [
        ("85000,1490,6,0,280,9", ", row 3, pressure_hpa = 85000 is outside 0.01 to 1100"),
        ("850,1490,279,270,280,9", ", row 3, temperature_c = 279 is outside -120 to 60"),
        ("850,1490,6,0,-9999,9", ", row 3, wind_from_deg = -9999 is outside 0 to 360"),
        ("850,inf,6,0,280,9", ", row 3, height_m = inf is outside -500 to 60000"),
    ],
)
def test_a_value_that_no_air_has_is_told_with_row_and_column(cells, line, tmp_path):
    assert refusal(written(tmp_path, [ROWS[0], cells, *ROWS[2:]])).startswith(line)


@pytest.mark.parametrize(
    ("one", "other", "line"),
    [
        (0, 1, ", row 3, pressure_hpa = 1490 is outside 0.01 to 1100; are two columns swapped"),
        (0, 2, ", row 2, temperature_c = 1000 is outside"),
        (1, 2, ", row 2, temperature_c = 110 is outside"),
        (2, 3, ": dewpoint_c is above temperature_c in most rows; are these two columns swapped?"),
        (4, 5, ", row 2, wind_speed_ms = 270 is outside 0 to 150"),
    ],
)
def test_two_swapped_columns_are_told(one, other, line, tmp_path):
    assert refusal(written(tmp_path, swapped(one, other))).startswith(line)


@measured
def test_a_measured_sounding_with_pressure_and_height_swapped_is_refused(path, tmp_path):
    rows = path.read_text(encoding="utf-8").splitlines()
    header = rows[0].replace("pressure_hpa,height_m", "height_m,pressure_hpa")
    refusal(written(tmp_path, rows[1:], header=header))


def test_pressure_that_rises_with_height_is_told(tmp_path):
    rows = ["500,110,15,10,270,5", "700,1490,6,0,280,9", "850,3042,-3,-9,290,15", "1000,5600,-19,-30,300,24"]
    assert refusal(written(tmp_path, rows)).startswith(": pressure_hpa rises with height, to 700 at 1490 m")


def test_heights_in_feet_are_told(tmp_path):
    rows = []
    for row in ROWS:
        cells = row.split(",")
        rows.append(",".join([cells[0], f"{float(cells[1]) / 0.3048:.0f}", *cells[2:]]))
    assert ": height_m does not fit pressure and temperature: 180" in refusal(written(tmp_path, rows))


def test_too_few_levels_are_told(tmp_path):
    path = written(tmp_path, [ROWS[0], ROWS[1], ",3042,-3,,290,15", "500,5600,,,300,24"])
    assert refusal(path) == ": 2 levels have pressure_hpa, height_m and temperature_c; at least 3 are needed"


def test_levels_all_at_one_height_are_told(tmp_path):
    path = written(tmp_path, ["1000,110,15,10,270,5"] * 5)
    assert refusal(path) == ": only 1 different heights; at least 3 are needed"


def test_between_two_levels_temperature_is_linear_in_ln_p_and_pressure_in_balance_with_it(tmp_path):
    air = sounding_profile(
        load_sounding(written(tmp_path, ["1000,110,40,10,270,5", "500,5600,-40,-50,270,9", "400,7100,-50,-60,0,0"]))
    )
    z = np.linspace(110.0, 5600.0, 501)
    ln_p, kelvin = np.log(air.pressure_pa(z)), air.temperature_k(z)
    straight = 313.15 + (233.15 - 313.15) * (ln_p - ln_p[0]) / (ln_p[-1] - ln_p[0])
    np.testing.assert_allclose(kelvin, straight, atol=1e-9)
    slope = np.gradient(ln_p, z)[1:-1] * kelvin[1:-1]  # hydrostatic: d(ln p)/dz x T is one constant
    assert np.ptp(slope) / np.abs(slope.mean()) < 1e-4


@given(st.data())
def test_whatever_a_cell_holds_the_answer_is_a_sounding_or_one_line(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "fuzzed.csv"
    rows = [row.split(",") for row in (HEADER, *ROWS)]
    for _ in range(data.draw(st.integers(1, 4))):
        row, column = data.draw(st.integers(0, 4)), data.draw(st.integers(0, 5))
        number = st.floats(allow_nan=True, allow_infinity=True).map(str) | st.floats(-300.0, 1200.0).map(str)
        rows[row][column] = data.draw(
            number | st.text(max_size=6) | st.sampled_from(["", "0", "-0", "1e999", '"', "\0"])
        )
    path.write_bytes("\n".join(",".join(row) for row in rows).encode("utf-8", "surrogatepass"))
    try:
        sounding = load_sounding(path)
    except InputError as error:
        refused = str(error)
        sounding = None
    if sounding is None:
        assert refused.startswith(str(path)) and len(refused.splitlines()) == 1
    else:
        pressure = sounding_profile(sounding).pressure_pa(np.arange(-900.0, 59000.0, 100.0))
        assert np.all(np.isfinite(pressure)) and np.all(np.diff(pressure) <= 1e-9)


@given(st.binary(max_size=400))
def test_whatever_bytes_a_file_holds_the_answer_is_one_line(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(content)
    refusal(path)

"""Every chart: a title, axes with units, no line across a gap, and a picture that is not empty."""

import itertools
import re
import struct
import zlib

import numpy as np
import pandas as pd
import pytest

from ground.report import build
from ground.report.charts import SUBJECTS
from ground.report.charts.figure import PNG_WIDTH, Figure, View, moment_rows
from ground.report.render import PNG_SCALE, png, sized, specification
from tests.ground.report_maker import make_folder

FEW = {"minutes_up": 25.0, "wait_s": 300, "stay_s": 300, "cuts_s": (700,)}


def view_of(folder):
    loaded = build.load_folder(folder)
    timeline = build.Timeline([loaded.flight, *loaded.tables.values()])
    story = build.tell(loaded, timeline)
    return View(loaded, timeline, story, build.moments(timeline, story))


def figures_of(folder):
    view = view_of(folder)
    return {part.name: part for draw in SUBJECTS for part in draw(view) if isinstance(part, Figure)}


@pytest.fixture(scope="module")
def flight(tmp_path_factory):
    return figures_of(make_folder(tmp_path_factory.mktemp("charts") / "f", **FEW))


@pytest.fixture(scope="module")
def clockless(tmp_path_factory):
    return figures_of(make_folder(tmp_path_factory.mktemp("charts") / "f", utc=False, gps=False, **FEW))


def plots(spec):
    return spec.get("concat") or [spec]


def axis_titles(plot, channel):
    """Titles that one axis of a plot is given by its layers."""
    found = set()
    for layer in plot["layer"]:
        encoding = layer.get("encoding", {}).get(channel, {})
        if "field" in encoding and encoding.get("title"):
            found.add(encoding["title"])
    return found


@pytest.mark.parametrize("kind", ["flight", "clockless"])
def test_every_chart_has_a_title_and_axes_with_units(kind, request):
    for figure in request.getfixturevalue(kind).values():
        spec = specification(figure)
        assert spec["title"]["text"], figure.name
        shown = plots(spec)
        for number, plot in enumerate(shown):
            y = axis_titles(plot, "y")
            assert len(y) == 1 and all(re.search(r"\[.+\]", title) for title in y), (figure.name, y)
            x = axis_titles(plot, "x")
            if figure.name.endswith("_time") and number < len(shown) - 1:
                continue  # stacked plots share the time axis of the lowest one
            assert len(x) == 1 and all(re.search(r"\[.+\]", title) for title in x), (figure.name, x)


def test_every_chart_obeys_the_schema_of_vega_lite(flight):
    for figure in flight.values():
        figure.chart.to_dict(validate=True)


def test_every_row_that_a_chart_names_travels_with_it(flight):
    def names(part):
        found = {part["data"]["name"]} if "name" in part.get("data", {}) else set()
        for inner in [*part.get("layer", ()), *part.get("concat", ())]:
            found |= names(inner)
        return found

    for figure in flight.values():
        spec = specification(figure)
        assert names(spec) and names(spec) <= set(spec["datasets"]), figure.name
        assert any(spec["datasets"][name] for name in names(spec))


def test_caption_tells_what_is_seen(flight):
    assert all(len(figure.caption) > 60 and figure.caption.endswith(".") for figure in flight.values())


def test_names_from_a_log_stay_out_of_expressions(tmp_path):
    evil = "'] || alert(1) || ['"
    figures = figures_of(make_folder(tmp_path / "f", probes=(evil, "inside"), channel=evil, **FEW))

    def filters(value):
        if isinstance(value, dict):
            for key, inner in value.items():
                if key in ("filter", "calculate", "expr", "labelExpr", "signal"):
                    yield str(inner)
                yield from filters(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from filters(inner)

    for figure in figures.values():
        spec = specification(figure)
        assert not any("alert" in text for text in filters({k: v for k, v in spec.items() if k != "datasets"}))


def test_no_line_crosses_the_pause_of_a_restart(flight):
    rows = flight["temperature_time"].rows["temperature"]
    for name in {row["s"] for row in rows}:
        own = [row for row in rows if row["s"] == name]
        around = [k for k, (a, b) in enumerate(itertools.pairwise(own)) if b["t"] - a["t"] > 10_000]
        assert len(around) == 1, name  # one pause of 14 s
        assert own[around[0]]["mid"] is None  # and the line is broken just before it


def test_flagged_reading_is_a_cross_and_not_part_of_the_line(flight):
    figure = flight["temperature_time"]
    crosses = figure.rows["temperature_flagged"]
    assert {(row["value"], row["why"]) for row in crosses} == {("85", "after reset")}
    assert max(row["high"] for row in figure.rows["temperature"] if row["high"] is not None) < 60
    assert "Crosses: 2 flagged readings, left out of the lines: after reset." in figure.caption


def test_receiver_stuck_at_its_limit_draws_crosses_and_no_level_line(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    fix = pd.read_parquet(folder / "tables" / "fix.parquet")
    stuck = fix["altitude_m"] > 5000
    fix.loc[stuck, "altitude_m"], fix.loc[stuck, "flags"] = 5000.0, "limit"
    fix.to_parquet(folder / "tables" / "fix.parquet")
    view = view_of(folder)
    rows = next(part for part in SUBJECTS[0](view)).rows
    gps = [row["high"] for row in rows["height"] if row["s"] == "GPS altitude" and row["high"] is not None]
    assert max(gps) <= 5.0
    assert {row["why"] for row in rows["height_flagged"]} == {"limit"}
    assert view.story.gps_top_m <= 5000.0


def test_readings_outside_the_rated_range_are_drawn_with_rings(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "tables" / "temperature.parquet")
    table.loc[table["temperature_c"] < -20, "flags"] = "out_of_range"
    table.to_parquet(folder / "tables" / "temperature.parquet")
    figure = figures_of(folder)["temperature_time"]
    assert any(row["flagged"] and row["mid"] < -15 for row in figure.rows["temperature"] if row["mid"] is not None)
    assert not any(row["flagged"] and row["mid"] > 0 for row in figure.rows["temperature"] if row["mid"] is not None)
    assert "drawn all the same, out of range (outside)." in figure.caption


def test_rings_on_a_long_stretch_leave_the_line_to_be_seen(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "tables" / "temperature.parquet")
    table.loc[(table["probe"] == "outside") & (table["flags"] == ""), "flags"] = "out_of_range"
    table.to_parquet(folder / "tables" / "temperature.parquet")
    rows = [row for row in figures_of(folder)["temperature_time"].rows["temperature"] if row["s"] == "outside"]
    drawn = [row for row in rows if row["mid"] is not None]
    ringed = [k for k, row in enumerate(drawn) if row["flagged"]]
    assert 10 < len(ringed) < 45 < len(drawn)
    assert ringed[0] == 0 and ringed[-1] == len(drawn) - 1  # a stretch shows where it begins and ends


def test_many_short_flagged_stretches_do_not_make_a_clump_of_rings(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "tables" / "temperature.parquet")
    outside = (table["probe"] == "outside") & (table["flags"] == "")
    table.loc[outside & (table["t_ms"] % 10_000 < 3000), "flags"] = "out_of_range"
    table.to_parquet(folder / "tables" / "temperature.parquet")
    rows = [row for row in figures_of(folder)["temperature_time"].rows["temperature"] if row["s"] == "outside"]
    ringed = [k for k, row in enumerate(rows) if row["flagged"]]
    assert 20 < len(ringed) <= 62
    assert min(b - a for a, b in itertools.pairwise(ringed[:-1])) >= len(rows) // 60


def test_caption_counts_all_readings_left_out_and_not_the_drawn_ones_alone(tmp_path):
    folder = make_folder(tmp_path / "f", **FEW)
    table = pd.read_parquet(folder / "tables" / "pressure.parquet")
    table.loc[10:1209, "flags"] = "bus_error"
    table.to_parquet(folder / "tables" / "pressure.parquet")
    figure = figures_of(folder)["temperature_time"]
    assert len(figure.rows["temperature_flagged"]) < 500
    assert "Crosses: 1,202 flagged readings, left out of the lines, of which not every one is drawn" in figure.caption
    assert figure.caption.endswith("bus error, after reset.")


def test_panels_line_is_what_it_gave_facing_the_sun(flight):
    figure = flight["panel_time"]
    lines = [layer for plot in specification(figure)["concat"] for layer in plot["layer"]
             if layer["mark"]["type"] == "line"]  # fmt: skip
    assert len(lines) == 3 and {line["encoding"]["y"]["field"] for line in lines} == {"high"}
    assert "Line: highest reading" in figure.caption and "facing the sun" in figure.caption


def test_ground_track_has_one_scale_on_both_axes(flight):
    figure = flight["ground_track"]
    spec = sized(specification(figure), PNG_WIDTH)
    encoding = next(layer["encoding"] for layer in spec["layer"] if "color" in layer.get("encoding", {}))
    per_pixel = [
        np.ptp(encoding[channel]["scale"]["domain"]) / spec[size] for channel, size in (("x", "width"), ("y", "height"))
    ]
    assert per_pixel[0] == pytest.approx(per_pixel[1], rel=1e-9)
    for channel in ("x", "y"):
        low, high = encoding[channel]["scale"]["domain"]
        values = [row["e" if channel == "x" else "n"] for row in figure.rows["track"]]
        assert low < min(values) and max(values) < high


def test_ascent_and_descent_are_told_apart(flight):
    for name in ("panel_power_mw_height", "panel_power_mw_height_dots"):
        assert {row["leg"] for row in flight["panel_height"].rows[name]} == {"ascent", "descent"}
    assert {row["leg"] for row in flight["pressure_height"].rows["pressure_height"]} == {"ascent", "descent"}


def test_labels_of_moments_never_lie_on_each_other():
    class Line:
        start_ms, end_ms, has_utc = 0.0, 9_000_000.0, True

        def clock(self, moment):
            return str(moment)

    close = [{"t": t, "label": "restart", "kind": "restart"} for t in (0, 60_000, 120_000, 180_000, 8_900_000)]
    rows = moment_rows(View(None, Line(), None, close))
    labelled = [row for row in rows if row["label"]]
    assert [row["row"] for row in labelled[:3]] == [0, 1, 2] and rows[3]["label"] == ""
    assert len(rows) == 5  # a moment whose label finds no room keeps its mark


@pytest.mark.parametrize("name", ["height_time", "panel_height", "ground_track"])
def test_picture_has_the_size_of_its_chart_and_is_not_blank(flight, name):
    picture = png(specification(flight[name]))
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, colour = struct.unpack(">IIBB", picture[16:26])
    assert abs(width / PNG_SCALE - PNG_WIDTH) < 60 and 400 < height < 2600
    assert 30_000 < len(picture) < 3_000_000
    raw = zlib.decompress(b"".join(_chunks(picture, b"IDAT")))
    assert depth == 8 and colour in (2, 6)
    assert len(set(raw[:: len(raw) // 5000 or 1])) > 10  # many shades: not one plain colour


def _chunks(picture, wanted):
    at = 8
    while at < len(picture):
        (length,) = struct.unpack(">I", picture[at : at + 4])
        if picture[at + 4 : at + 8] == wanted:
            yield picture[at + 8 : at + 8 + length]
        at += 12 + length


def test_painting_leaves_the_specification_for_the_page_as_it_was(flight):
    spec = specification(flight["battery_time"])
    before = repr({key: value for key, value in spec.items() if key != "datasets"})
    png(spec)
    assert repr({key: value for key, value in spec.items() if key != "datasets"}) == before
    assert "params" in spec and "config" not in spec

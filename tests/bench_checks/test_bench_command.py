"""`thistledown bench` where it stops before a board is asked anything, and the log of a cold run."""

import json
import re
from dataclasses import replace
from datetime import timedelta

import pytest

from ground.bench.finding import NO_GO
from ground.bench.judge import judge
from ground.cli import run
from ground.decode import decode
from ground.simulator.flight import fly
from tests.bench_checks.bench_runs import Run, bench_world, calm_world, raw_scenario, run_bench


def _said(capsys):
    return capsys.readouterr().err.strip()


def test_port_has_to_be_named(capsys):
    assert run(["bench"]) == 2
    assert "name the board's port (on USB: " in (said := _said(capsys)) and "or sim for a simulated board" in said


@pytest.mark.parametrize("more", [["--port", "sim"], ["--calibrate", "pressure"]])
def test_cold_run_has_no_board_to_ask(more, capsys):
    assert run(["bench", "--cold", "card.img", *more]) == 2
    assert f"judges a log and asks no board; leave out {more[0]}" in _said(capsys)


def test_port_that_is_not_there_is_one_line(capsys):
    assert run(["bench", "--port", "/dev/no-such-port"]) == 1
    said = _said(capsys)
    assert "there is no such port" in said and "\n" not in said


@pytest.mark.parametrize(
    "words", [["--calibrate", "luck"], ["--calibrate", "pressure"], ["--qnh", "1013"], ["--panel-volts", "much"],
              ["--ice-bath", "garden"], ["--plan", "none.toml"], ["--settings", "none.toml"]],
)  # fmt: skip
def test_slip_in_the_options_stops_before_the_board_is_asked(words, capsys):
    assert run(["bench", "--port", "sim", *words]) == 1
    said = _said(capsys)
    assert words[0].lstrip("-").split("-")[0] in said or words[1] in said
    assert "\n" not in said


@pytest.mark.parametrize("run_of", [["--port", "sim"], ["--cold", "card.img"]])
def test_folder_that_cannot_take_the_record_stops_before_the_board_is_asked(run_of, tmp_path, capsys):
    file = tmp_path / "notes.txt"
    file.write_text("mine")
    for out in (file, file / "bench"):
        assert run(["bench", *run_of, "-o", str(out)]) == 1
        assert _said(capsys) == f"thistledown: {file} is a file; choose another folder with --out"
    (tmp_path / "bench.json").write_text("{}")
    assert run(["bench", *run_of, "-o", str(tmp_path)]) == 1
    assert "bench.json" in (said := _said(capsys)) and "\n" not in said
    assert file.read_text() == "mine"


def test_new_plan_is_written_and_never_over_another(tmp_path, capsys):
    path = tmp_path / "box.toml"
    assert run(["bench", "--new-plan", str(path)]) == 0
    assert "load_ohm" in path.read_text(encoding="utf-8")
    path.write_text("mine")
    assert run(["bench", "--new-plan", str(path)]) == 1
    assert "exists already" in _said(capsys) and path.read_text() == "mine"


def test_simulated_board_is_not_asked_for_the_settings_file_it_was_started_with():
    found = {}
    for simulated in (True, False):
        evidence = replace(run_bench(), settings_crc=None, simulated=simulated)
        found[simulated] = next(one for one in judge(evidence).findings if one.name == "settings on the board")
    assert "started with the settings" in found[True].why and not found[True].do
    assert "--settings FILE" in found[False].do


def test_box_on_usb_with_its_switch_off_is_told_to_switch_it_on():
    dark = judge(run_bench(Run(columns={"battery_v": 0.0})))
    told = next(one for one in dark.findings if one.name == "battery charge")
    assert told.verdict == NO_GO and "its switch is off" in told.why and told.do.startswith("Switch it on.")


def test_cold_run_is_judged_from_its_card(tmp_path, capsys):
    scenario = raw_scenario({})
    fly(scenario, tmp_path, world=replace(bench_world(), scenario=scenario), stop_after_s=60.0)
    assert run(["bench", "--cold", str(tmp_path / "card.img"), "-o", str(tmp_path / "bench")]) == 0
    out = capsys.readouterr().out
    assert "The board was simulated: this says nothing about a real one." in out
    assert "warning  long and cold enough: 0.0 hours" in out and "battery in the cold" in out
    assert out.splitlines()[-1].startswith("GO: 1 warning") and out.count("\nNot checked: ") == 1
    record = json.loads((tmp_path / "bench" / "bench.json").read_text(encoding="utf-8"))
    assert record["kind_of_run"] == "cold run" and len(record["board"]["id"]) == 16
    decode(tmp_path / "card.img", tmp_path / "flight")
    assert run(["bench", "--cold", str(tmp_path / "flight"), "-o", str(tmp_path / "again")]) == 0
    again = json.loads((tmp_path / "again" / "bench.json").read_text(encoding="utf-8"))
    assert again["findings"] == record["findings"] and again["sensors"] == record["sensors"]


def test_verdict_is_told_where_the_record_cannot_be_kept(tmp_path, capsys):
    scenario = raw_scenario({})
    fly(scenario, tmp_path, world=replace(bench_world(), scenario=scenario), stop_after_s=30.0)
    (tmp_path / "bench" / "bench.json.part").mkdir(parents=True)  # in the way
    assert run(["bench", "--cold", str(tmp_path / "card.img"), "-o", str(tmp_path / "bench")]) == 1
    said = capsys.readouterr()
    assert said.out.splitlines()[-1].startswith("GO: ") and "Wrote" not in said.out
    assert "choose another folder with --out" in said.err and "\n" not in said.err.strip()


def test_flight_in_another_log_of_the_card_is_named(tmp_path, capsys):
    both = tmp_path / "both.img"
    with open(both, "wb") as image:
        for day, world, long_s in ((2, bench_world(), 200.0), (1, calm_world(), 700.0)):
            scenario, folder = raw_scenario({}).model_copy(update={"seed": day}), tmp_path / str(day)
            world = replace(world, scenario=scenario, start_utc=world.start_utc + timedelta(days=day))
            fly(scenario, folder, world=world, stop_after_s=long_s)
            image.write((folder / "card.img").read_bytes()[: 8 << 20])
    assert run(["bench", "--cold", str(both), "-o", str(tmp_path / "bench")]) == 0
    out = capsys.readouterr().out
    assert re.search(r"^warning  flights on the card: a flight in log \d+, beside the run that is judged", out, re.M)
    assert "hours in power-up 1" in out and "a run on the ground" not in out
    assert out.startswith("No --settings given: the board is judged by the default settings.")


def test_card_without_a_log_is_one_line(tmp_path, capsys):
    (tmp_path / "empty.img").write_bytes(bytes(512 * 64))
    assert run(["bench", "--cold", str(tmp_path / "empty.img"), "-o", str(tmp_path / "bench")]) == 1
    assert "\n" not in _said(capsys) and not (tmp_path / "bench").exists()

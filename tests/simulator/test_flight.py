"""Whole boots and flights of small firmwares on the virtual board: what they read, what survives, how they end."""

import dataclasses
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from ground.errors import InputError
from ground.simulator import boot_process, interpreter
from ground.simulator.board.chips import ds18b20, ms5611
from ground.simulator.boot_process import BoardFailure
from ground.simulator.flight import fly
from ground.simulator.world import build_world
from tests.interpreters import INTERPRETERS
from tests.simulator.flights import scenario_with
from tests.simulator.test_ms5611_chip import host_formula
from tests.simulator.test_virtual_card import fsck

PLAIN = Path(__file__).parent / "firmwares" / "plain"
GNSS = Path(__file__).parent.parent / "data" / "gnss"
RELEASE_S = 120.0
SECTOR = 512


@pytest.fixture(scope="module")
def scenario():
    return scenario_with(
        "calm", launch={"wait_s": RELEASE_S}, card={"size_mib": 17}, gnss={"generation": "m8", "first_fix_s": 12.0}
    )


@pytest.fixture(scope="module")
def world(scenario):
    return build_world(scenario)


@pytest.fixture
def fly_it(scenario, world, tmp_path):
    """fly() with the plain firmware, on the shared world, for a few minutes."""

    def go(name="out", **options):
        options = {"firmware_folder": PLAIN, "world": world, "stop_after_s": 300.0} | options
        return fly(options.pop("scenario", scenario), tmp_path / name, **options)

    return go


def firmware(tmp_path, text):
    """A folder with a firmware of these lines in main()."""
    folder = tmp_path / "own"
    (folder / "firmware").mkdir(parents=True, exist_ok=True)
    (folder / "firmware" / "__init__.py").write_text("")
    body = "\n".join("    " + line for line in text.strip().splitlines())
    start = "import gc, machine, onewire, os, time, vfs\n\n\ndef main():\n"
    (folder / "firmware" / "main.py").write_text(f"{start}{body}\n")
    return folder


def sectors(image):
    """The JSON sectors of the plain firmware's log, in the order of the card."""
    data = Path(image).read_bytes()
    found = []
    for at in range(0, len(data), SECTOR):
        if data[at : at + 1] == b"{":
            found.append(json.loads(data[at : at + SECTOR]))
    return found


def moments(result, records):
    """World time of each record. [s]"""
    starts = {number: boot["start_us"] / 1e6 for number, boot in enumerate(result.boots, 1)}
    return np.array([starts[record["boot"]] + record["t_ms"] / 1000 for record in records])


def at(world, column, seconds):
    return np.interp(seconds, np.arange(len(world.columns[column])) * 0.2, world.columns[column])


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


def test_a_power_cut_starts_a_second_boot_with_the_same_card_and_flash(scenario, world, fly_it):
    faulty = scenario.model_copy(update={"faults": scenario_with(faults=[
        {"kind": "power_cut", "at_s": 20.0, "for_s": 7.5}]).faults})  # fmt: skip
    result = fly_it(scenario=faulty)
    assert [boot["reason"] for boot in result.boots] == ["power_cut", "end_of_world"]
    assert result.boots[0]["world_us"] == round((RELEASE_S + 20) * 1e6)
    assert result.boots[1]["start_us"] == round((RELEASE_S + 27.5) * 1e6)
    records = sectors(result.card_image)
    headers = [record for record in records if "id" in record]
    assert [header["boot"] for header in headers] == [1, 2]
    assert [header["cause"] for header in headers] == [1, 1]
    assert headers[0]["id"] != headers[1]["id"]
    assert headers[0]["roms"] == headers[1]["roms"]
    times = moments(result, [record for record in records if "t_ms" in record])
    gaps = np.diff(times)
    assert np.all(gaps > 0)
    assert np.sum(gaps > 1.5) == 1
    assert 7.5 < gaps.max() < 12
    assert fsck(result.card_image) == ""
    assert result.complaints() == []


def test_in_flight_nothing_but_data_is_written(fly_it):
    result = fly_it(stop_after_s=120.0)
    short = fly_it("short", stop_after_s=30.0)
    for region in ("fat", "directory", "boot"):
        assert result.count(f"card_writes_{region}") == short.count(f"card_writes_{region}")
    assert result.count("card_writes_data") - short.count("card_writes_data") == 90


def test_output_folder_holds_card_truth_and_notes(fly_it, world):
    said = []
    result = fly_it(progress=lambda share, text: said.append((share, text)))
    assert sorted(path.name for path in result.out_dir.iterdir()) == ["card.img", "flight.json", "truth.parquet"]
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


def test_an_unfed_watchdog_starts_the_next_boot_and_chips_keep_their_state(tmp_path, fly_it):
    own = firmware(tmp_path, """
i2c = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5))
print("boot", machine.reset_cause(), i2c.readfrom_mem(0x40, 0x05, 2))
i2c.writeto_mem(0x40, 0x05, b"\\x50\\x00")
watchdog = machine.WDT(timeout=2000)
for _ in range(5):
    time.sleep_ms(500)
    watchdog.feed()
while True:
    time.sleep_ms(100)
""")  # fmt: skip
    flash = tmp_path / "flash"
    result = fly_it(firmware_folder=own, stop_after_s=12.0, flash_folder=flash)
    assert [boot["reason"] for boot in result.boots] == ["watchdog", "watchdog", "end_of_world"]
    assert [boot["cause"] for boot in result.boots] == ["power", "watchdog", "watchdog"]
    assert result.boots[0]["world_us"] == pytest.approx(250_000 + 2_500_000 + 2_000_000, abs=2000)
    assert result.boots[0]["watchdog_feed_longest_ms"] == 2000


def test_reset_cause_and_calibration_after_machine_reset(tmp_path, fly_it):
    own = firmware(tmp_path, """
i2c = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5))
with open("seen.txt", "a") as file:
    file.write("%d %s\\n" % (machine.reset_cause(), i2c.readfrom_mem(0x40, 0x05, 2)[0]))
if machine.reset_cause() == machine.WDT_RESET:
    while True:
        time.sleep(1)
i2c.writeto_mem(0x40, 0x05, b"\\x50\\x00")
time.sleep_ms(20)
machine.reset()
""")  # fmt: skip
    flash = tmp_path / "flash"
    result = fly_it(firmware_folder=own, stop_after_s=12.0, flash_folder=flash)
    assert [boot["reason"] for boot in result.boots] == ["reset", "end_of_world"]
    assert (flash / "seen.txt").read_text().splitlines() == ["1 0", "3 80"]
    assert json.loads((flash / "settings.json").read_text())["gnss_baud"] == 9600


def test_a_firmware_that_falls_over_is_reset_by_its_watchdog_and_complained_about(tmp_path, fly_it):
    own = firmware(tmp_path, """
machine.WDT(timeout=3000)
time.sleep_ms(100)
raise ValueError("a bug of ours")
""")
    result = fly_it(firmware_folder=own, stop_after_s=4.0)
    assert [boot["reason"] for boot in result.boots] == ["watchdog", "end_of_world"]
    assert "ValueError" in result.complaints()[0]
    assert "a bug of ours" in result.complaints()[0]


def test_a_firmware_that_returns_is_complained_about(tmp_path, fly_it):
    result = fly_it(firmware_folder=firmware(tmp_path, "return"), stop_after_s=4.0)
    assert [boot["reason"] for boot in result.boots] == ["end_of_world"]
    assert "returned" in result.complaints()[0]


def test_a_firmware_that_resets_for_ever_is_given_up_in_one_line(tmp_path, fly_it, monkeypatch):
    monkeypatch.setattr("ground.simulator.flight._BOOTS_MAX", 5)
    own = firmware(tmp_path, "machine.reset()")
    with pytest.raises(InputError, match="started 5 times"):
        fly_it(firmware_folder=own)


def test_a_loop_that_lets_no_time_pass_is_stopped(tmp_path, fly_it, monkeypatch):
    monkeypatch.setattr(boot_process, "STALL_S", 3)
    with pytest.raises(BoardFailure, match="let no time pass"):
        fly_it(firmware_folder=firmware(tmp_path, "while True:\n    pass"), stop_after_s=4.0)


def test_a_firmware_that_cannot_be_imported_is_complained_about(tmp_path, fly_it):
    folder = tmp_path / "own"
    (folder / "firmware").mkdir(parents=True)
    (folder / "firmware" / "__init__.py").write_text("")
    (folder / "firmware" / "main.py").write_text("import nothing_of_this_name\n")
    result = fly_it(firmware_folder=folder, stop_after_s=2.0)
    assert "nothing_of_this_name" in result.complaints()[0]


def test_misuse_of_a_chip_makes_the_flight_fail_loudly(tmp_path, fly_it):
    own = firmware(tmp_path, """
i2c = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5))
i2c.writeto(0x77, b"\\x48")
time.sleep_ms(2)
i2c.readfrom_mem(0x77, 0, 3)
while True:
    time.sleep(1)
""")
    result = fly_it(firmware_folder=own, stop_after_s=2.0)
    assert ["before the end of the conversion" in line for line in result.complaints()] == [True]
    assert result.complaints()[0].startswith("boot 1, 0.2")


def test_endings_cannot_be_caught_by_a_firmware(tmp_path, fly_it):
    own = firmware(tmp_path, """
while True:
    try:
        time.sleep_ms(50)
    except Exception:
        pass
""")
    assert fly_it(firmware_folder=own, stop_after_s=2.0).boots[0]["world_us"] == 2_000_000


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


@pytest.mark.parametrize("manner", ["clean", "torn", "garbage", "lost"])
def test_power_can_fail_at_any_block_write(fly_it, manner):
    whole = fly_it("whole", stop_after_s=40.0)
    before = sectors(whole.card_image)
    writes = whole.boots[0]["block_writes"]
    fault = {"kind": "power_cut_at_write", "write": writes - 5, "manner": manner, "bytes": 20, "for_us": 60_000_000}
    result = fly_it("cut", stop_after_s=40.0, faults=[fault])
    assert [boot["reason"] for boot in result.boots] == ["power_cut"]
    assert result.boots[0]["block_writes"] == writes - 5
    at_cut = len(before) - 6
    data = result.card_image.read_bytes()
    log = data.index(json.dumps(before[0])[:10].encode())
    cut = data[log + at_cut * SECTOR :][:SECTOR]
    if manner == "clean":
        assert json.loads(cut) == before[at_cut]
    elif manner == "torn":
        assert cut[:20] == whole.card_image.read_bytes()[log + at_cut * SECTOR :][:20]
        assert cut[20:] == bytes(SECTOR - 20)
    elif manner == "garbage":
        assert len(set(cut)) > 100
    else:
        assert cut == bytes(SECTOR)
    assert fsck(result.card_image) == ""


def test_every_write_of_the_first_seconds_can_be_the_last(fly_it):
    """Also those of arming the card: the next boot must find a volume that mounts."""
    for write in (1, 2, 3, 5, 8):
        fault = {"kind": "power_cut_at_write", "write": write, "manner": "clean"}
        result = fly_it(f"cut{write}", stop_after_s=10.0, faults=[fault])
        assert result.boots[0]["reason"] == "power_cut"
        assert result.boots[0]["block_writes"] == write
        assert result.boots[1]["start_us"] == result.boots[0]["world_us"] + 1_000_000
        assert result.boots[1]["escaped"] is None


LISTENER = """
vfs.mount(vfs.VfsFat(machine.SDCard()), "/sd")
file = open("/sd/HEARD.BIN", "wb")
uart = machine.UART(1, baudrate=9600, tx=machine.Pin(8), rx=machine.Pin(9), rxbuf=1024)
time.sleep_ms(7000)  # a firmware that arms its card first
buf = bytearray(1024)
view = memoryview(buf)
while True:
    count = uart.any()
    if count:
        got = uart.readinto(buf, count)
        file.write(view[:got])
        with open("times.txt", "a") as times:
            times.write("%d %d\\n" % (time.ticks_ms(), got))
        file.flush()
    else:
        uart.write(b"\\xb5\\x62\\x06\\x24\\x00\\x00\\x2a\\x84")
    time.sleep_ms(100)
"""


@pytest.mark.parametrize("stream", sorted(path.name for path in GNSS.glob("s*") if path.suffix != ".csv"))
def test_a_recording_is_heard_whole_in_order_and_at_its_pace(tmp_path, fly_it, stream):
    if shutil.which("mcopy") is None:
        pytest.skip("mtools is not installed")
    path, flash = GNSS / stream, tmp_path / "flash"
    own = firmware(tmp_path, LISTENER)
    result = fly_it(firmware_folder=own, gnss_stream=path, stop_after_s=None, flash_folder=flash)
    subprocess.run(["mcopy", "-i", str(result.card_image), "::/HEARD.BIN", str(tmp_path / "heard")], check=True)
    assert (tmp_path / "heard").read_bytes() == path.read_bytes()
    assert result.boots[-1]["detail"] == "the recording is over"
    heard = [[int(word) for word in line.split()] for line in (flash / "times.txt").read_text().splitlines()]
    for start in range(heard[0][0], heard[-1][0], 1000):
        assert sum(count for moment, count in heard if start <= moment < start + 1000) <= 960 + 120
    seconds = (heard[-1][0] - heard[0][0]) / 1000
    assert seconds + 10 < result.duration_s < seconds + 25
    assert pyarrow.parquet.read_metadata(result.truth_path).num_rows == int(result.duration_s) + 1


def test_a_recording_longer_than_the_world_lets_the_box_lie(tmp_path, scenario, fly_it):
    short = build_world(scenario)
    columns = {name: column[: 30 * 5] for name, column in short.columns.items()}
    short = dataclasses.replace(short, columns=columns)
    result = fly_it(world=short, gnss_stream=GNSS / "s5_nmea_m8_noise_at_start.nmea", stop_after_s=None)
    assert result.duration_s > 75
    truth = pyarrow.parquet.read_table(result.truth_path)
    assert truth.num_rows == int(result.duration_s) + 1
    assert truth["altitude_m"][-1].as_py() == short.columns["altitude_m"][-1]


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

"""How a boot can end, and that the next one finds what the one before wrote down: nothing else, and nothing less."""

import json

import numpy as np
import pytest

from ground.errors import InputError
from ground.simulator import boot_process
from ground.simulator.boot_process import BoardFailure
from tests.simulator.boots import RELEASE_S, SECTOR, firmware, moments, sectors
from tests.simulator.flights import scenario_with
from tests.simulator.test_virtual_card import fsck


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


"""A recorded receiver stream through the board's serial port: whole, in order, one epoch a second."""

import dataclasses
import shutil
import subprocess

import pyarrow.parquet
import pytest

from tests.simulator.boots import GNSS, firmware

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



def test_a_recording_longer_than_the_world_lets_the_box_lie(world, fly_it):
    columns = {name: column[: 30 * 5] for name, column in world.columns.items()}
    short = dataclasses.replace(world, columns=columns)
    result = fly_it(world=short, gnss_stream=GNSS / "s5_nmea_m8_noise_at_start.nmea", stop_after_s=None)
    assert result.duration_s > 75
    truth = pyarrow.parquet.read_table(result.truth_path)
    assert truth.num_rows == int(result.duration_s) + 1
    assert truth["altitude_m"][-1].as_py() == short.columns["altitude_m"][-1]


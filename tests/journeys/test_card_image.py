"""The card image stands up to programs that nobody here wrote: fsck.fat and mtools."""

import shutil
import subprocess

import pytest

from ground.decode import decode
from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario
from tests.journeys.flights import fly_and_decode

pytestmark = pytest.mark.skipif(
    not (shutil.which("fsck.fat") and shutil.which("mcopy")),
    reason="needs Debian's dosfstools and mtools (.ci/run installs them)",
)


def fsck(image):
    """What `fsck.fat -n` says; it exits 0 only if it finds nothing."""
    done = subprocess.run(["fsck.fat", "-n", str(image)], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
    return done.stdout


DEMO_CUT_S = 50 * 60  # the demo's power cut, after power-up


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    return fly_and_decode(tmp_path_factory.mktemp("journey") / "flight", "demo")


@pytest.mark.parametrize(
    "until_s", [30, DEMO_CUT_S - 60, DEMO_CUT_S + 60], ids=["just armed", "before the cut", "after the restart"]
)
def test_file_system_is_clean_when_the_power_goes(until_s, tmp_path):
    flight = fly(load_scenario("demo"), tmp_path / "cut", stop_after_s=until_s)
    assert len(flight.boots) == (2 if until_s > DEMO_CUT_S else 1)
    fsck(flight.card_image)


def test_file_system_is_clean_after_the_flight(flown):
    fsck(flown.folder / "card.img")


def test_log_that_mtools_copies_off_the_image_gives_the_same_records(flown, tmp_path):
    log = tmp_path / "TD000001.LOG"
    subprocess.run(["mcopy", "-i", str(flown.folder / "card.img"), "::TD000001.LOG", str(log)], check=True)
    again = decode(log, tmp_path / "again")
    assert again.integrity["frames_ok"] == flown.decoded.integrity["frames_ok"] > 10_000
    assert again.integrity["frames_missing"] == flown.decoded.integrity["frames_missing"]


def test_each_committed_sector_costs_one_block_write_and_no_metadata_write(flown):
    sectors_read = flown.decoded.integrity["sectors_read"]
    writes = {region: [boot["counts"].get(f"card_writes_{region}", 0) for boot in flown.flight.boots]
              for region in ("data", "fat", "directory", "boot")}
    arming_data_writes = 1  # the last byte, which makes the file its full size
    assert sum(writes["data"]) == sectors_read + arming_data_writes
    assert writes["fat"][1:] == writes["directory"][1:] == [0] * (len(flown.flight.boots) - 1)
    assert writes["boot"] == [0] * len(flown.flight.boots)


def test_metadata_is_written_while_arming_and_never_again(tmp_path, flown):
    armed = fly(load_scenario("demo"), tmp_path / "armed", stop_after_s=5)
    for region in ("fat", "directory"):
        name = f"card_writes_{region}"
        assert armed.boots[0]["counts"][name] == flown.flight.boots[0]["counts"][name] > 0

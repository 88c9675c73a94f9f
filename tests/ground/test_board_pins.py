"""Pins that the processor cannot use as set are doubted before the board meets them."""

import pytest
from typer.testing import CliRunner

from ground import cli
from ground.board_pins import pin_doubts
from ground.settings import Settings


def doubts(**changed):
    return pin_doubts(Settings(**changed))


def test_the_default_wiring_raises_no_doubt():
    assert doubts() == []


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"i2c_scl": 7}, "i2c_sda = 4 and i2c_scl = 7 belong to two buses; GPIO 5 goes with 4"),
        ({"i2c_sda": 5, "i2c_scl": 4}, "i2c_sda = 5: data are on even pins"),
        ({"gnss_tx": 12}, "gnss_tx = 12 with gnss_uart = 1: GPIO 4, 8, 20, 24 can be that"),
        ({"gnss_tx": 9, "gnss_rx": 8}, "gnss_tx = 9 with gnss_uart = 1: GPIO 4, 8, 20, 24 can be that"),
        ({"gnss_uart": 2}, "gnss_uart = 2: it has 0 and 1"),
        ({"card_mosi": 16, "card_miso": 19}, "card_miso = 19 with card_spi = 0: GPIO 0, 4, 16, 20 can be that"),
        ({"card_spi": 1}, "card_sck = 18 with card_spi = 1: GPIO 10, 14, 26 can be that"),
        ({"battery_pin": 14}, "battery_pin = 14: only GPIO 26 to 29 are analogue inputs"),
        ({"led_pin": 40}, "led_pin = 40: it has GPIO 0 to 29"),
    ],
)
def test_a_pin_that_cannot_do_its_job_is_named(changed, said):
    assert said in doubts(**changed)


@pytest.mark.parametrize(
    "changed",
    [
        {"i2c_sda": 6, "i2c_scl": 7},
        {"i2c_sda": 20, "i2c_scl": 21},
        {"gnss_uart": 0, "gnss_tx": 0, "gnss_rx": 1},
        {"card_spi": 1, "card_sck": 10, "card_mosi": 11, "card_miso": 12, "card_cs": 13},
        {"battery_pin": 28},
    ],
)
def test_other_wirings_that_work_raise_no_doubt(changed):
    assert doubts(**changed) == []


def test_bus_pins_are_those_of_micropythons_own_defaults_for_this_processor():
    """Its quick reference for the RP2: I2C(0) 9 and 8, I2C(1) 7 and 6, SPI(1) 10 11 8, UART(1) 4 and 5; from memory."""
    assert doubts(i2c_sda=8, i2c_scl=9, gnss_tx=20, gnss_rx=21) == []
    assert doubts(card_spi=1, card_sck=10, card_mosi=11, card_miso=8, gnss_tx=20, gnss_rx=21) == []
    assert doubts(gnss_tx=4, gnss_rx=5, i2c_sda=6, i2c_scl=7) == []


def test_settings_check_tells_the_doubt_and_stays_a_success(tmp_path):
    path = tmp_path / "settings.toml"
    path.write_text("battery_pin = 14\n")
    result = CliRunner().invoke(cli.app, ["settings", "check", str(path)])
    assert result.exit_code == 0
    assert "! On a board of the RP2040 class, battery_pin = 14: only GPIO 26 to 29" in " ".join(result.output.split())

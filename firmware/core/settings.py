"""The board's settings: `settings.json`, checked key by key, each with a safe default.

The ground writes the file and has checked it; but a file can be hurt, old or edited by hand, and the box flies all the
same: a key that is missing or makes no sense falls back to its default, alone, and is reported. Unknown keys are left
alone, they may come from a newer version of the ground tools. The defaults are the wiring in hardware_notes.
"""

import json
from binascii import crc32

from shared_protocol.compat import const

_TEXT_MAX = const(400)
_PIN_MAX = const(63)

# key: (default, lowest, highest) of a whole number
NUMBERS = {
    "log_size_mib": (64, 1, 2047),  # a FAT file ends below 4 GiB, and seek() on 32-bit boards below 2 GiB
    "copy_size_kib": (960, 0, 16384),
    "i2c_sda": (4, 0, _PIN_MAX),
    "i2c_scl": (5, 0, _PIN_MAX),
    "i2c_hz": (400000, 10000, 1000000),
    "onewire_pin": (22, 0, _PIN_MAX),
    "gnss_uart": (1, 0, 7),
    "gnss_tx": (8, 0, _PIN_MAX),
    "gnss_rx": (9, 0, _PIN_MAX),
    "gnss_baud": (9600, 4800, 921600),
    "battery_pin": (26, 0, _PIN_MAX),
    "battery_full_scale_mv": (6600, 1000, 65535),
    "led_pin": (25, 0, _PIN_MAX),
    "sounder_pin": (15, 0, _PIN_MAX),
    "card_spi": (0, 0, 7),
    "card_sck": (18, 0, _PIN_MAX),
    "card_mosi": (19, 0, _PIN_MAX),
    "card_miso": (16, 0, _PIN_MAX),
    "card_cs": (17, 0, _PIN_MAX),
    "pressure_address": (0x77, 0x08, 0x77),
    "pressure_period_ms": (100, 30, 60000),  # two conversions of 10 ms and their reading have to fit
    "probe_outside_address": (0x48, 0x08, 0x77),
    "probe_inside_address": (0x49, 0x08, 0x77),
    "temperature_period_ms": (1000, 1000, 60000),  # a 12-bit conversion takes 750 ms
    "panel_address": (0x40, 0x08, 0x77),
    "panel_shunt_microohm": (100000, 100, 100000000),
    "panel_period_ms": (200, 50, 60000),  # a pair of averaged conversions takes up to 39 ms
    "health_period_ms": (5000, 1000, 60000),
    "landed_period_factor": (10, 1, 100),
    "airborne_model": (6, 0, 10),
}
CHOICES = {  # the first is the default
    "pressure_chip": ("ms5611", "bmp280", "bme280", "auto"),
    "panel_chip": ("ina219", "ina226"),
    "probe_outside_chip": ("ds18b20", "tmp117"),
    "probe_inside_chip": ("ds18b20", "tmp117"),
}
ROMS = ("probe_outside_rom", "probe_inside_rom")  # 16 hex digits, family first, or "" for "whichever is found"


class Settings:
    """`values` by key; `replaced` names the keys that fell back to their default; `crc` of the file, 0 without one."""

    def __init__(self, data: bytes = b""):
        self.crc = crc32(data) if data else 0
        self.replaced: list = []
        self.values: dict = {}
        try:
            found = json.loads(data)
        except (ValueError, UnicodeError, RuntimeError):  # the last one: nested deeper than the stack reaches
            found = None
        if not isinstance(found, dict):
            found = {}
        for key, (default, low, high) in NUMBERS.items():
            value = found.get(key)
            # type(), because True is an int to isinstance() and no pin
            self._take(key, value, type(value) is int and low <= value <= high, default)
        for key, choices in CHOICES.items():
            value = found.get(key)
            self._take(key, value, isinstance(value, str) and value in choices, choices[0])
        for key in ROMS:
            value = found.get(key)
            self._take(key, value, isinstance(value, str) and _is_rom(value), "")
        value = found.get("contact")
        self._take("contact", value, isinstance(value, str) and len(value) <= _TEXT_MAX, "")

    def _take(self, key, value, is_good, default):
        if is_good:
            self.values[key] = value
        else:
            self.values[key] = default
            self.replaced.append(key)

    def __getitem__(self, key: str):
        return self.values[key]


def _is_rom(text):
    if text == "":
        return True
    if len(text) != 16:
        return False
    return all(ch in "0123456789abcdefABCDEF" for ch in text)


def load(path: str) -> Settings:
    """The settings in a file; all defaults if it is missing or unreadable."""
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError:
        data = b""
    return Settings(data)

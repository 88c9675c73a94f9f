"""The board's settings on the ground: read from TOML, checked more strictly than the board can, handed over as JSON.

The board lets a bad value fall back to its default, since it has to fly whatever it finds. Here a person is still at
the desk, so every doubt is an error. `settings_default.toml` is the commented file that people start from; the ranges
there, here and in `firmware/core/settings.py` are held together by tests.
"""

import json
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from ground.board_pins import pin_doubts
from ground.documents import read_toml
from ground.simulator.scenario_errors import checked
from shared_protocol.conversions.ds18b20 import crc8

DEFAULT_FILE = Path(__file__).with_name("settings_default.toml")

_PINS = (
    "i2c_sda i2c_scl onewire_pin gnss_tx gnss_rx battery_pin led_pin sounder_pin card_sck card_mosi card_miso card_cs"
).split()


def _plain_text(text: str) -> str:
    odd = next((ch for ch in text if ch != "\n" and not " " <= ch <= "~"), None)
    if odd is not None:
        raise ValueError(f"holds {odd!r}, and the log's first lines are plain ASCII; write it without")
    return text


def _rom(text: str) -> str:
    """A ROM code as printed by the bench and on some probes: family first, its CRC last."""
    if text == "":
        return text
    try:
        code = bytes.fromhex(text)
    except ValueError:
        code = b""
    if len(code) != 8 or len(text) != 16:
        raise ValueError('must be 16 hexadecimal digits, or "" for whichever probe is found')
    if code[0] != 0x28:
        raise ValueError("is no code of a DS18B20: its first two digits must be 28")
    if crc8(code):
        raise ValueError("has a slip in it: its last two digits do not check the others; read it again")
    return text.lower()


Pin = Annotated[int, Field(ge=0, le=63, description="number of a pin")]
PeripheralNumber = Annotated[int, Field(ge=0, le=7)]
ProbeChip = Literal["ds18b20", "tmp117"]
Rom = Annotated[str, AfterValidator(_rom)]


def _whole(default: int, low: int, high: int, unit: str):
    return Field(default, ge=low, le=high, description=unit)


class Settings(BaseModel):
    """Every setting of the board; the units are in the names. The defaults are the wiring in hardware_notes."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    contact: Annotated[str, Field(max_length=400), AfterValidator(_plain_text)] = ""
    log_size_mib: int = _whole(64, 1, 2047, "MiB")
    copy_size_kib: int = _whole(960, 0, 16384, "KiB")
    card_spi: PeripheralNumber = 0
    card_sck: Pin = 18
    card_mosi: Pin = 19
    card_miso: Pin = 16
    card_cs: Pin = 17
    i2c_sda: Pin = 4
    i2c_scl: Pin = 5
    i2c_hz: int = _whole(400_000, 10_000, 1_000_000, "Hz")
    pressure_chip: Literal["ms5611", "bmp280", "bme280", "auto"] = "ms5611"
    pressure_address: int = _whole(0x77, 0x76, 0x77, "an address")
    pressure_period_ms: int = _whole(100, 30, 60_000, "ms")
    onewire_pin: Pin = 22
    probe_outside_chip: ProbeChip = "ds18b20"
    probe_inside_chip: ProbeChip = "ds18b20"
    probe_outside_rom: Rom = ""
    probe_inside_rom: Rom = ""
    probe_outside_address: int = _whole(0x48, 0x48, 0x4B, "an address")
    probe_inside_address: int = _whole(0x49, 0x48, 0x4B, "an address")
    temperature_period_ms: int = _whole(1000, 1000, 60_000, "ms")
    panel_chip: Literal["ina219", "ina226"] = "ina219"
    panel_address: int = _whole(0x40, 0x40, 0x4F, "an address")
    panel_shunt_microohm: int = _whole(100_000, 100, 100_000_000, "millionths of an ohm")
    panel_period_ms: int = _whole(200, 50, 60_000, "ms")
    gnss_uart: PeripheralNumber = 1
    gnss_tx: Pin = 8
    gnss_rx: Pin = 9
    gnss_baud: int = _whole(9600, 4800, 921_600, "bit/s")
    airborne_model: Literal[6, 7, 8] = 6  # the models for flight of the receivers' own protocol
    battery_pin: Pin = 26
    battery_full_scale_mv: int = _whole(6600, 1000, 65_535, "mV")
    led_pin: Pin = 25
    sounder_pin: Pin = 15
    health_period_ms: int = _whole(5000, 1000, 60_000, "ms")
    landed_period_factor: int = _whole(10, 1, 100, "times")

    @model_validator(mode="after")
    def _each_pin_serves_once(self) -> "Settings":
        owners: dict[int, str] = {}
        for key in _PINS:
            pin = getattr(self, key)
            if pin in owners:
                raise ValueError(f"{key} = {pin} is the pin of {owners[pin]} too; give each its own")
            owners[pin] = key
        return self

    @model_validator(mode="after")
    def _two_probes(self) -> "Settings":
        if self.probe_outside_rom and self.probe_outside_rom == self.probe_inside_rom:
            raise ValueError(f'probe_inside_rom = "{self.probe_inside_rom}" is the outside probe too; they are two')
        return self

    @model_validator(mode="after")
    def _each_address_serves_once(self) -> "Settings":
        owners = {self.panel_address: "panel_address"}
        for place in ("outside", "inside"):
            key = f"probe_{place}_address"
            if getattr(self, f"probe_{place}_chip") == "tmp117":
                address = getattr(self, key)
                if address in owners:
                    taken = f"{key} = 0x{address:X} is the address of {owners[address]} too"
                    raise ValueError(f"{taken}; wire one differently")
                owners[address] = key
        return self


def default_text() -> str:
    """The commented settings file that people start from."""
    return DEFAULT_FILE.read_text(encoding="utf-8")


def load_settings(path: str | Path) -> Settings:
    """Checked settings from a TOML file; keys that it leaves out have their defaults.

    Raises
    ------
    InputError
        One line that names the file, the key, its value and what is allowed.
    """
    raw = read_toml(path, "settings are TOML", "give a settings file")
    return checked(Settings, raw, path)


def board_json(settings: Settings) -> str:
    """The text of `settings.json` as the board reads it: every key, flat."""
    return json.dumps(settings.model_dump(), indent=1) + "\n"


def doubts(settings: Settings) -> list[str]:
    """Sentences on settings that are allowed and yet may not be meant."""
    found = [f"On a board of the RP2040 class, {doubt}." for doubt in pin_doubts(settings)]
    if not settings.contact:
        found.append("contact is empty: whoever finds the box will not know whom to call.")
    return found


# What nobody else can know: keys whose default is right by luck only, and what to look at.
_OWN = (
    ("contact", "whom to call, for whoever finds the box"),
    ("probe_outside_rom", "code of the probe outside; empty takes the lower code, which may be the inner probe"),
    ("pressure_chip", "the barometer that you have"),
    ("panel_chip", "the current sensor that you have"),
    ("panel_shunt_microohm", "as marked on its shunt: R100 is 100000"),
    ("battery_full_scale_mv", "by the two resistors of your divider"),
    ("gnss_baud", "the speed that your receiver is set to"),
)


def own_values(settings: Settings) -> list[str]:
    """`key = value: what to look at` of each setting that only the team knows and that is at its default."""
    default = Settings()
    return [
        f"{key} = {_shown(getattr(settings, key))}: {look}"
        for key, look in _OWN
        if getattr(settings, key) == getattr(default, key)
    ]


def changed_from_default(settings: Settings) -> list[str]:
    """`key = value (default ...)` of each setting that is not at its default."""
    before, now = Settings().model_dump(), settings.model_dump()
    return [f"{key} = {_shown(now[key])} (default {_shown(before[key])})" for key in now if now[key] != before[key]]


def _shown(value: int | str) -> str:
    return json.dumps(value) if isinstance(value, str) else str(value)

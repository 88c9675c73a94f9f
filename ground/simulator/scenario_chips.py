"""The chips that can be on the virtual board.

Adding a chip: write its model with a `chip: Literal["..."]` and put it into the union of its kind below.
Nothing else in the scenario changes. A chip's `name` is what a fault calls it.
"""

from typing import Annotated, Literal

from pydantic import Field

from ground.simulator.scenario_faults import Name
from ground.simulator.scenario_parts import Part, number


class Ms5611(Part):
    """Barometer, 10 to 1200 hPa (rated), inside the box."""

    chip: Literal["ms5611"]
    name: Name = "pressure"
    address: Literal[0x76, 0x77] = 0x77
    offset_pa: float = number(0.0, -1000.0, 1000.0, "error of this specimen")
    noise_pa: float = number(1.2, 0.0, 100.0, "standard deviation of a conversion; data sheet: 0.012 mbar, OSR 4096")


class Bmp280(Part):
    """Barometer, 300 to 1100 hPa (rated), inside the box."""

    chip: Literal["bmp280"]
    name: Name = "pressure"
    address: Literal[0x76, 0x77] = 0x76
    offset_pa: float = number(0.0, -1000.0, 1000.0, "error of this specimen")
    noise_pa: float = number(1.3, 0.0, 100.0, "standard deviation of a measurement at x16, the data sheet's")


class Bme280(Bmp280):
    """The same with a humidity sensor."""

    chip: Literal["bme280"]  # type: ignore[assignment]


class Ds18b20(Part):
    """Thermometer on the one wire, with the heat path between its element and the air."""

    chip: Literal["ds18b20"]
    name: Name
    place: Literal["outside", "inside"] = "outside"
    rom: str = Field(
        default="",
        pattern=r"^(28[0-9a-f]{14})?$",
        description="16 hex digits, family code 28 first and CRC last; empty: made from the seed and the name",
    )
    offset_c: float = number(0.0, -5.0, 5.0, "error of this specimen")
    time_constant_s: float = number(12.0, 0.1, 3600.0, "in 5 m/s of air at sea level")
    sun_heating_c: float = number(0.4, 0.0, 20.0, "error in 1000 W/m2 and 5 m/s at sea level; grows in thin air")


class Tmp117(Part):
    """Thermometer on the I2C bus, with the heat path between its element and the air."""

    chip: Literal["tmp117"]
    name: Name
    place: Literal["outside", "inside"] = "outside"
    address: int = number(0x48, 0x48, 0x4B, "4 addresses by a pin")
    offset_c: float = number(0.0, -5.0, 5.0, "error of this specimen")
    time_constant_s: float = number(8.0, 0.1, 3600.0, "in 5 m/s of air at sea level")
    sun_heating_c: float = number(0.6, 0.0, 20.0, "error in 1000 W/m2 and 5 m/s at sea level; grows in thin air")


class Ina219(Part):
    """Voltage and current of one channel."""

    chip: Literal["ina219"]
    name: Name = "panel"
    channel: Literal["panel"] = "panel"
    address: int = number(0x40, 0x40, 0x4F, "16 addresses by two pins")
    shunt_ohm: float = number(0.1, 0.0001, 10.0, "as marked on the shunt: R100 is 0.1")
    shunt_tolerance_pct: float = number(0.0, -10.0, 10.0, "by how much the real shunt differs")


class Ina226(Part):
    """Voltage and current of one channel; at most 81.92 mV across the shunt."""

    chip: Literal["ina226"]
    name: Name = "panel"
    channel: Literal["panel"] = "panel"
    address: int = number(0x40, 0x40, 0x4F, "16 addresses by two pins")
    shunt_ohm: float = number(0.1, 0.0001, 10.0, "as marked on the shunt: R100 is 0.1")
    shunt_tolerance_pct: float = number(0.0, -10.0, 10.0, "by how much the real shunt differs")


class BatteryAdc(Part):
    """The board's own converter behind a divider."""

    chip: Literal["adc"]
    name: Name = "battery"
    full_scale_mv: float = number(6600.0, 100.0, 60000.0, "battery voltage that reads full scale")
    noise_mv: float = number(4.0, 0.0, 500.0, "standard deviation of one reading")


GnssBehaviour = Literal[
    "normal", "older", "newer", "nmea_only", "refuses_model", "no_reply", "wrong_reply", "stops_at_18_km", "freezes",
    "freezes_valid", "jumps", "no_leap_seconds", "week_rollover", "time_step", "restarts",
]  # fmt: skip


class Gnss(Part):
    """Satellite receiver. `generation` decides what it understands and says, `behaviour` what it does wrong.

    The behaviours are told in ground/simulator/board/gnss/behaviour.py; "older", "newer" and "nmea_only" choose the
    generation themselves.
    """

    generation: Literal["m8", "m10", "nmea_only"] = "m8"
    behaviour: GnssBehaviour = "normal"
    name: Name = "gnss"
    baud: Literal[4800, 9600, 19200, 38400, 57600, 115200] = 9600
    position_noise_m: float = number(1.5, 0.0, 100.0, "standard deviation of each horizontal component")
    height_noise_m: float = number(3.0, 0.0, 200.0, "standard deviation")
    speed_noise_mps: float = number(0.05, 0.0, 10.0, "standard deviation of each component")
    first_fix_s: float = number(32.0, 1.0, 1800.0, "from a cold start under open sky")
    again_fix_s: float = number(4.0, 0.5, 1800.0, "from a restart that kept its orbits")
    satellites: int = number(11, 4, 40, "used, on average")
    freeze_above_m: float = number(14000.0, 0.0, 50000.0, 'where "freezes" and "freezes_valid" begin')
    almanac_s: float = number(750.0, 1.0, 7200.0, "from a cold start to leap seconds and full week number")
    time_step_at_s: float = number(1500.0, 0.0, 172800.0, 'after power-up, of "time_step"')
    time_step_for_s: float = number(600.0, 1.0, 172800.0, "until it steps back")
    time_step_s: float = number(7.0, -86400.0, 86400.0, "by so much; positive: ahead of UTC")
    restart_every_s: float = number(600.0, 20.0, 86400.0, 'on average, of "restarts"')


PressureChip = Annotated[Ms5611 | Bmp280 | Bme280, Field(discriminator="chip")]
TemperatureChip = Annotated[Ds18b20 | Tmp117, Field(discriminator="chip")]
PowerChip = Annotated[Ina219 | Ina226, Field(discriminator="chip")]
BatteryChip = BatteryAdc  # a union of one member cannot be discriminated; the literal in the model does the checking


def _default_barometers() -> list[PressureChip]:
    return [Ms5611(chip="ms5611")]


def _default_power_meters() -> list[PowerChip]:
    return [Ina219(chip="ina219")]


def _default_probes():
    outside = Ds18b20(chip="ds18b20", name="outside", place="outside")
    inside = Ds18b20(chip="ds18b20", name="inside", place="inside", time_constant_s=40.0, sun_heating_c=0.0)
    return [outside, inside]


class Sensors(Part):
    """The chips by what they measure. A list in the file replaces the default list as a whole."""

    pressure: list[PressureChip] = Field(default_factory=_default_barometers)
    temperature: list[TemperatureChip] = Field(default_factory=_default_probes)
    power: list[PowerChip] = Field(default_factory=_default_power_meters)
    battery: list[BatteryChip] = Field(default_factory=lambda: [BatteryAdc(chip="adc")], max_length=1)

    def all(self):
        """Every chip with the key that leads to it: ("sensors.pressure[0]", chip)."""
        for group in type(self).model_fields:
            for index, chip in enumerate(getattr(self, group)):
                yield f"sensors.{group}[{index}]", chip

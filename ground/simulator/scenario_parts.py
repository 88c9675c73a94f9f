"""The parts of a scenario, one model for each table of the TOML file. Units are in the names; ranges are here.

A range is where the simulated physics still means something or where amateurs fly, whichever is wider; outside it a
value is far more likely a slip (grams for kilograms) than a wish. Values "by common practice" have no source.
"""

from datetime import datetime, timedelta
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, field_validator

A_MOMENT = "a moment in UTC, with the Z: 2026-09-19T04:30:00Z"


class Part(BaseModel):
    """A table of the scenario file. Unknown keys are errors; a number must be a number, and finite."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def number(default, low, high, what):
    """A field with a default (... for none) and the closed range low..high."""
    return Field(default, ge=low, le=high, description=what)


def _printable(text):
    if not text.strip() or not text.isprintable():
        raise ValueError("must be a line of printable text")
    return text


Text = Annotated[str, Field(max_length=80), AfterValidator(_printable)]


class Launch(Part):
    """Where and when the balloon is let go, and how long the box waits before, switched on."""

    place: Text
    latitude_deg: float = number(..., -89.0, 89.0, "north positive, WGS-84")
    longitude_deg: float = number(..., -180.0, 180.0, "east positive, WGS-84")
    altitude_m: float = number(..., -430.0, 6000.0, "of the launch place above mean sea level")
    utc: datetime = Field(description="moment of release")
    wait_s: float = number(600.0, 0.0, 14400.0, "from power-up to release")
    geoid_separation_m: float = number(0.0, -110.0, 90.0, "geoid above the ellipsoid here; one value for the flight")

    @field_validator("utc", mode="before")
    @classmethod
    def _a_date_in_quotes_is_a_date(cls, value):
        if not isinstance(value, str):
            return value
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            raise ValueError(f"must be {A_MOMENT}") from None

    @field_validator("utc")
    @classmethod
    def _an_absolute_moment(cls, value):
        if value.utcoffset() is None:
            raise ValueError(f"must be {A_MOMENT}")
        if value.utcoffset() != timedelta(0):
            raise ValueError(f"must be {A_MOMENT}")
        if not 2000 <= value.year <= 2079:
            raise ValueError("must lie in the years 2000 to 2079")
        return value


class Payload(Part):
    mass_kg: float = number(..., 0.02, 20.0, "everything below the neck: box, parachute, line, reflector")


class Balloon(Part):
    mass_kg: float = number(..., 0.01, 10.0, "empty balloon")
    gas: Literal["helium", "hydrogen"] = "helium"
    free_lift_kg: float = Field(
        ..., gt=0.0, le=20.0, description="what the filled balloon can just hold at its neck, less the payload"
    )
    burst_diameter_m: float = number(..., 0.3, 30.0, "rated by the maker")
    drag_coefficient: float = number(0.3, 0.05, 2.0, "at launch, on the cross section; 0.25 to 0.3 by common practice")
    drag_law: Literal["constant", "reynolds"] = Field(
        default="constant",
        description="'reynolds': the coefficient rises with height as a published fit says, and as real balloons do",
    )
    remnant_fraction: float = number(0.4, 0.0, 1.0, "share of the latex still hanging on the line after the burst")


class Parachute(Part):
    diameter_m: float = number(..., 0.05, 15.0, "nominal (flat) diameter")
    drag_coefficient: float = number(0.75, 0.1, 2.5, "on the nominal area; flat circular 0.75 to 0.80")
    opening_s: float = number(4.0, 0.1, 60.0, "time constant of the opening after the burst")


class Landing(Part):
    altitude_m: float = number(..., -430.0, 6000.0, "of the ground where it comes down")
    stay_s: float = number(600.0, 1.0, 86400.0, "how long the box lies there before the simulation ends")


class Atmosphere(Part):
    """Without a sounding: the standard atmosphere, made warmer or deeper by the two offsets, and an invented wind."""

    sounding: str | None = Field(
        default=None,
        min_length=1,
        max_length=1024,
        description="CSV file; a relative path counts from the scenario's folder",
    )
    sounding_heights: Literal["altitude", "geopotential"] = Field(
        default="altitude", description="what height_m of the sounding means; geopotential heights are converted"
    )
    temperature_offset_c: float = number(0.0, -40.0, 40.0, "added to the standard atmosphere (not to a sounding)")
    sea_level_pressure_hpa: float = number(1013.25, 870.0, 1085.0, "of the standard atmosphere (not of a sounding)")
    wind_factor: float = number(1.0, 0.0, 3.0, "scales the invented wind (not a sounding's)")
    vertical_gust_mps: float = number(0.4, 0.0, 3.0, "standard deviation of rising and sinking air")
    horizontal_gust_mps: float = number(0.8, 0.0, 10.0, "standard deviation of each component")
    gust_time_s: float = number(20.0, 4.0, 600.0, "correlation time of both")


class Box(Part):
    """Heat and motion of the box. Time constants are at sea level; thin air makes the outer surface count less."""

    time_constant_s: float = number(1800.0, 30.0, 36000.0, "of the inside towards the air outside")
    start_temperature_c: float = number(18.0, -40.0, 60.0, "inside, at power-up")
    self_heating_c: float = number(9.0, 0.0, 80.0, "steady rise by the electronics' own power")
    sun_heating_c: float = number(6.0, 0.0, 80.0, "steady rise in 1000 W/m2 of sun")
    surface_share: float = number(0.25, 0.0, 1.0, "share of the thermal resistance that is the outer surface's")
    heading_deg: float | None = Field(
        default=None,
        ge=0.0,
        le=360.0,
        description="the panel's side at power-up, from north by east; default: by chance",
    )
    spin_period_s: float = number(25.0, 1.0, 3600.0, "typical time of one turn")
    spin_damping_s: float = number(60.0, 1.0, 3600.0, "how long a turning lasts before it changes")
    swing_deg: float = number(4.0, 0.0, 30.0, "standard deviation of the pendulum angle in the ascent")
    descent_swing_deg: float = number(12.0, 0.0, 45.0, "the same under the parachute, when it has calmed down")
    swing_period_s: float = number(5.0, 0.5, 60.0, "of the pendulum")


class LoadedPanel(Part):
    """Rated values at 1000 W/m2 and 25 C, as a panel's label gives them, and the resistor across it.

    The default load is one with which the current follows the sun all the way (hardware_notes/panel.md).
    """

    short_circuit_current_ma: float = number(160.0, 0.1, 20000.0, "Isc")
    open_circuit_voltage_v: float = number(6.6, 0.3, 26.0, "Voc; 26 V is the limit of the current monitor's pins")
    max_power_current_ma: float = number(145.0, 0.1, 20000.0, "Imp")
    max_power_voltage_v: float = number(5.4, 0.2, 26.0, "Vmp")
    cells_in_series: int = number(11, 1, 60, "about 0.6 V of Voc each")
    current_coefficient_pct_per_c: float = number(0.05, -0.2, 0.2, "of Isc")
    voltage_coefficient_pct_per_c: float = number(-0.32, -1.0, -0.05, "of Voc")
    load_ohm: float = number(10.0, 0.1, 100000.0, "resistor across the panel, after the shunt")


class Panel(LoadedPanel):
    """How the panel is mounted, and the air between it and the sun."""

    tilt_deg: float = number(45.0, 0.0, 90.0, "of the panel from lying flat")
    sun_absorption: float = number(0.85, 0.0, 1.0, "share of the sunlight that heats the panel")
    heat_capacity_j_m2k: float = number(4000.0, 100.0, 50000.0, "per area; a thin glass or epoxy plate")
    aerosol_optical_depth: float = number(0.1, 0.0, 1.0, "at 500 nm, of the whole column above sea level")
    water_vapour_cm: float = number(1.5, 0.0, 7.0, "precipitable water of the whole column")
    ozone_cm: float = number(0.3, 0.1, 0.6, "of the whole column")
    ground_albedo: float = number(0.2, 0.0, 0.95, "of the country below; snow 0.8")


class Battery(Part):
    """A pack of cells: voltage at rest when full and when empty, and what cold and load take from it."""

    full_v: float = number(5.1, 1.0, 20.0, "at rest, 25 C, unused")
    empty_v: float = number(3.6, 0.5, 20.0, "at rest, 25 C, used up")
    capacity_mah: float = number(3000.0, 10.0, 100000.0, "at 25 C")
    load_ma: float = number(110.0, 0.0, 5000.0, "mean current the board takes")
    resistance_ohm: float = number(0.45, 0.0, 20.0, "inner resistance at 25 C")
    cold_doubling_c: float = number(20.0, 5.0, 200.0, "each so many degrees colder, the resistance doubles")
    ripple_ma: float = number(12.0, 0.0, 2000.0, "standard deviation of the load, second by second")


class Card(Part):
    size_mib: int = number(128, 4, 65536, "of the virtual card; it is a sparse file")
    free_mib: float | None = Field(
        default=None, ge=0.0, description="what other files leave of the empty card, or a little less; without it: all"
    )
    interface: Literal["block", "spi"] = Field(
        default="block", description="block: whole blocks, fast; spi: every byte of the bus, through the board's driver"
    )
    kind: Literal["sdhc", "sdsc", "sdsc1"] = Field(
        default="sdhc", description="spi only; sdsc and the older sdsc1 are addressed by byte, 2 GiB at most"
    )


class Flash(Part):
    """The board's own flash, as far as it is left for files."""

    size_kib: int = number(1408, 64, 16384, "a flash of 2 MB less its interpreter; common practice, no source")

    @field_validator("size_kib")
    @classmethod
    def _whole_blocks(cls, value):
        if value % 4:
            raise ValueError("must be a multiple of 4, the size of a block")
        return value

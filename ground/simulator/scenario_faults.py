"""The faults that can befall the virtual board, as a scenario file writes them: [[faults]] with a kind.

Adding one: write its model with a `kind: Literal["..."]`, put it into the union below, and its function into
board/faults.py or board/chip_faults.py. Times count from the release; a chip is called by its name.
"""

from typing import Annotated, ClassVar, Literal

from pydantic import Field

from ground.simulator.scenario_parts import Part, number

NAME_PATTERN = r"^[a-z][a-z0-9_]{0,15}$"
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
_AT_S = (-14400.0, 172800.0)
_AT = "after release; negative: on the ground before it"
_BUSES = ("i2c", "onewire")


def _moment():
    return number(..., *_AT_S, _AT)


def _moment_or_power_up():
    return Field(default=None, ge=_AT_S[0], le=_AT_S[1], description=f"{_AT}; without it: from power-up on")


def _duration():
    return Field(default=None, gt=0.0, le=172800.0, description="without it: for good")


class PowerCut(Part):
    """The board loses its supply and gets it back."""

    kind: Literal["power_cut"]
    at_s: float = _moment()
    for_s: float = Field(..., gt=0.0, le=7200.0)


class ReceiverRestart(Part):
    """The satellite receiver alone restarts and forgets its settings."""

    kind: Literal["receiver_restart"]
    at_s: float = _moment()
    cold: bool = Field(default=False, description="whether it forgets its orbits and the almanac, too")


class ChipFault(Part):
    """What befalls one chip; `BUSES` are those of the chips that it can befall."""

    BUSES: ClassVar[tuple[str, ...]] = (*_BUSES, "adc", "uart")

    chip: Name = Field(description="the chip's name")
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()


class MissingChip(ChipFault):
    """A chip does not answer; it comes back as if new."""

    kind: Literal["missing_chip"]


class WrongId(ChipFault):
    """Another part sits in the chip's place: on I2C one that is none of ours, on 1-wire another thermometer."""

    BUSES: ClassVar[tuple[str, ...]] = _BUSES

    kind: Literal["wrong_id"]


class SwappedChip(ChipFault):
    """Another kind of chip answers at the chip's address."""

    BUSES: ClassVar[tuple[str, ...]] = ("i2c",)

    kind: Literal["swapped_chip"]
    by: Literal["ms5611", "bmp280", "bme280", "tmp117", "ina219", "ina226"]


class StuckBus(ChipFault):
    """I2C: the chip holds SDA down in the middle of a byte until nine clocks come; with for_s whatever is done.

    1-wire: the wire is shorted to ground.
    """

    BUSES: ClassVar[tuple[str, ...]] = _BUSES

    kind: Literal["stuck_bus"]


class BitFlips(ChipFault):
    """Bytes are hurt on their way between board and chip."""

    BUSES: ClassVar[tuple[str, ...]] = (*_BUSES, "uart")

    kind: Literal["bit_flips"]
    odds: int = number(6, 1, 1000000, "one byte in so many (from a receiver: in eight times so many)")


class LateAnswer(ChipFault):
    """The chip answers later than it may: on the bus, in its conversions, or both."""

    BUSES: ClassVar[tuple[str, ...]] = _BUSES

    kind: Literal["late_answer"]
    late_ms: float = number(2.0, 0.0, 1000.0, "on the bus; I2C: the clock is stretched, 1-wire: nothing is heard")
    conversion_ms: float = number(0.0, 0.0, 10000.0, "beyond the data sheet's longest")


class FrozenValue(ChipFault):
    """What the chip measures stands still, its noise too."""

    BUSES: ClassVar[tuple[str, ...]] = (*_BUSES, "adc")

    kind: Literal["frozen_value"]


class BrownOut(Part):
    """The supply of one chip dips for a moment: its registers hold their power-on values."""

    BUSES: ClassVar[tuple[str, ...]] = _BUSES

    kind: Literal["brown_out"]
    chip: Name = Field(description="the chip's name")
    at_s: float = _moment()
    for_s: float | None = Field(default=None, gt=0.0, le=10.0, description="how long it is away; default: no time")


class CardRemoved(Part):
    """The card is pulled."""

    kind: Literal["card_removed"]
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()


class CardSlow(Part):
    """The card is busy longer after each block."""

    kind: Literal["card_slow"]
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()
    factor: int = number(100, 2, 10000, "how many times as long; 2 s at most")


class CardStalls(Part):
    """The card is busy for at least so long after each block."""

    kind: Literal["card_stalls"]
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()
    busy_ms: int = number(1000, 1, 10000, "after each block [ms]")


class CardDies(Part):
    """A stretch of the card takes nothing any more."""

    kind: Literal["card_dies"]
    at_s: float = _moment()
    blocks: int = number(20, 1, 1000000, "how many, from the next that is written on")


class CardRefuses(Part):
    """The card takes no block that is written, and says so."""

    kind: Literal["card_refuses"]
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()


class CardBitFlips(Part):
    """Bytes are hurt between board and card; needs card.interface = "spi"."""

    kind: Literal["card_bit_flips"]
    at_s: float | None = _moment_or_power_up()
    for_s: float | None = _duration()
    odds: int = number(3000, 100, 1000000000, "one byte in so many")


Fault = Annotated[
    PowerCut
    | ReceiverRestart
    | MissingChip
    | WrongId
    | SwappedChip
    | StuckBus
    | BitFlips
    | LateAnswer
    | FrozenValue
    | BrownOut
    | CardRemoved
    | CardSlow
    | CardStalls
    | CardDies
    | CardRefuses
    | CardBitFlips,
    Field(discriminator="kind"),
]


def check_faults(scenario):
    """Raise ValueError for a fault that cannot happen in this scenario."""
    buses = {scenario.gnss.name: "uart"}
    for _, chip in scenario.sensors.all():
        buses[chip.name] = {"ds18b20": "onewire", "adc": "adc"}.get(chip.chip, "i2c")
    for index, fault in enumerate(scenario.faults):
        key = f"faults[{index}]"
        name = getattr(fault, "chip", None)
        if name is not None and name not in buses:
            raise ValueError(f'{key}.chip = "{name}" is no chip of this scenario; known: {", ".join(buses)}')
        if name is not None and buses[name] not in fault.BUSES:
            possible = ", ".join(other for other, bus in buses.items() if bus in fault.BUSES)
            raise ValueError(f'{key}.kind = "{fault.kind}" cannot befall "{name}"; possible for: {possible}')
        at_s = getattr(fault, "at_s", None)
        if at_s is not None and at_s < -scenario.launch.wait_s:
            raise ValueError(f"{key}.at_s = {at_s:g} is before power-up, launch.wait_s = {scenario.launch.wait_s:g}")
        if isinstance(fault, CardBitFlips) and scenario.card.interface != "spi":
            raise ValueError(f'{key}.kind = "card_bit_flips" needs card.interface = "spi"')

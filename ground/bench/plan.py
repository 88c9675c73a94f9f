"""The plan of the box as far as the bench needs it: panel, load, battery, and what counts as enough.

It is a TOML file of its own (`thistledown bench --new-plan FILE` writes a commented one), because it says what the
builder intended and not what the board does: the board's settings stay free of resistors that it never reads. The
keys of [panel] and [battery] are those of a scenario.
"""

from pathlib import Path

from pydantic import Field, model_validator

from ground.documents import read_toml
from ground.simulator.scenario_errors import checked
from ground.simulator.scenario_parts import LoadedPanel, Part, number

DEFAULT_FILE = Path(__file__).with_name("plan_default.toml")


class PanelPlan(LoadedPanel):
    """The panel and its load, and how well the parts around it are known."""

    load_tolerance_pct: float = number(5.0, 0.1, 20.0, "of the resistor")
    shunt_ohm: float = number(0.1, 0.0001, 10.0, "as marked on the shunt: R100 is 0.1")


class BatteryPlan(Part):
    """Voltages of the pack, all cells together."""

    full_v: float = number(5.4, 1.0, 20.0, "at rest, charged or new")
    empty_v: float = number(3.6, 0.5, 20.0, "at rest, used up")
    sag_v_max: float = number(0.3, 0.01, 5.0, "between rest and load, at room temperature")

    @model_validator(mode="after")
    def _full_is_more_than_empty(self):
        if self.full_v <= self.empty_v:
            raise ValueError(f"battery.full_v = {self.full_v:g} must be larger than battery.empty_v = {self.empty_v:g}")
        return self


class Limits(Part):
    """What is still good enough; the reasons are in the checks."""

    thermometers_differ_c: float = number(1.0, 0.1, 10.0, "between any two, side by side and settled")
    card_write_ms_max: float = number(250.0, 5.0, 5000.0, "worst write of a sector")
    loop_ms_max: float = number(250.0, 20.0, 5000.0, "longest turn of the board's loop")
    satellites_min: int = number(6, 4, 30, "used in the fix")
    clock_ppm_max: float = number(200.0, 1.0, 20000.0, "rate of the board's clock against UTC")


class Plan(Part):
    """What the builder intended."""

    panel: PanelPlan | None = None
    battery: BatteryPlan | None = None
    limits: Limits = Field(default_factory=Limits)


def default_text():
    """The commented plan that people start from."""
    return DEFAULT_FILE.read_text(encoding="utf-8")


def load_plan(path):
    """A checked plan from a TOML file.

    Raises
    ------
    InputError
        One line that names the file, the key, its value and what is allowed.
    """
    raw = read_toml(path, "a plan is TOML", "`thistledown bench --new-plan FILE` writes one to start from")
    return checked(Plan, raw, path)

"""A scenario: everything that decides one simulated flight, read from a TOML file or by the name of a shipped one."""

import difflib
from itertools import pairwise
from pathlib import Path

from pydantic import Field, model_validator

from ground.atmosphere import standard_air
from ground.documents import read_toml
from ground.errors import InputError
from ground.simulator.balloon import descent_speed_mps, lift_of
from ground.simulator.scenario_chips import Gnss, Sensors
from ground.simulator.scenario_errors import checked
from ground.simulator.scenario_faults import Fault, PowerCut, check_faults
from ground.simulator.scenario_parts import (
    Atmosphere,
    Balloon,
    Battery,
    Box,
    Card,
    Flash,
    Landing,
    Launch,
    Panel,
    Parachute,
    Part,
    Payload,
    Text,
)

SCENARIO_DIR = Path(__file__).parent / "scenarios"
LANDING_MPS_MAX = 40.0  # a box with a torn canopy; beyond, something is in the wrong unit


class Scenario(Part):
    """One flight. The tables without a default are those that nobody else can choose."""

    name: Text
    seed: int = Field(1, ge=0, le=2**63 - 1, description="of everything that is left to chance")
    launch: Launch
    payload: Payload
    balloon: Balloon
    parachute: Parachute
    landing: Landing
    atmosphere: Atmosphere = Atmosphere()
    box: Box = Box()
    panel: Panel = Panel()
    battery: Battery = Battery()
    sensors: Sensors = Sensors()
    gnss: Gnss = Gnss()
    card: Card = Card()
    flash: Flash = Flash()
    faults: list[Fault] = Field(default_factory=list)

    @model_validator(mode="after")
    def _parts_fit_together(self):
        for check in (
            _balloon_can_fly,
            _parachute_is_a_parachute,
            _panel_is_a_panel,
            _battery_is_a_battery,
            _chips_differ,
            _faults_can_happen,
        ):
            check(self)
        return self


def _balloon_can_fly(s):
    air = standard_air(s.launch.altitude_m)
    launch_m = lift_of(s.balloon, s.payload).diameter_m(float(air.density_kg_m3))
    if s.balloon.burst_diameter_m <= launch_m:
        raise ValueError(
            f"balloon.burst_diameter_m = {s.balloon.burst_diameter_m:g} must be larger than the diameter at launch, "
            f"{launch_m:.2f} m with balloon.free_lift_kg = {s.balloon.free_lift_kg:g}"
        )


def _parachute_is_a_parachute(s):
    p = s.parachute
    speed = descent_speed_mps(s.payload.mass_kg, 1.225, p.drag_coefficient, p.diameter_m)
    if speed > LANDING_MPS_MAX:
        raise ValueError(
            f"parachute.diameter_m = {p.diameter_m:g} lets payload.mass_kg = {s.payload.mass_kg:g} land at "
            f"{speed:.0f} m/s; up to {LANDING_MPS_MAX:g} m/s can be simulated, and 5 m/s is gentle"
        )


def _panel_is_a_panel(s):
    p = s.panel
    if not 0.5 < p.max_power_voltage_v / p.open_circuit_voltage_v < 0.95:
        raise ValueError(
            f"panel.max_power_voltage_v = {p.max_power_voltage_v:g} must be 0.5 to 0.95 of "
            f"panel.open_circuit_voltage_v = {p.open_circuit_voltage_v:g}"
        )
    if not 0.5 < p.max_power_current_ma / p.short_circuit_current_ma < 0.99:
        raise ValueError(
            f"panel.max_power_current_ma = {p.max_power_current_ma:g} must be 0.5 to 0.99 of "
            f"panel.short_circuit_current_ma = {p.short_circuit_current_ma:g}"
        )
    volts_per_cell = p.open_circuit_voltage_v / p.cells_in_series
    if not 0.3 < volts_per_cell < 0.8:
        raise ValueError(
            f"panel.cells_in_series = {p.cells_in_series} does not fit panel.open_circuit_voltage_v = "
            f"{p.open_circuit_voltage_v:g}: a silicon cell gives 0.3 to 0.8 V, this would be {volts_per_cell:.2f} V"
        )


def _battery_is_a_battery(s):
    if s.battery.full_v <= s.battery.empty_v:
        raise ValueError(
            f"battery.full_v = {s.battery.full_v:g} must be larger than battery.empty_v = {s.battery.empty_v:g}"
        )


def _chips_differ(s):
    """No two chips of one name, and no two on one bus address."""
    names: dict[str, str] = {s.gnss.name: "gnss"}
    addresses: dict[object, str] = {}
    others: dict[object, str] = {}
    for key, chip in s.sensors.all():
        if chip.name in names:
            raise ValueError(f'{key}.name = "{chip.name}" is taken by {names[chip.name]}; give each chip its own name')
        names[chip.name] = key
        for what, taken in (("address", addresses), ("channel", others), ("rom", others)):
            value = getattr(chip, what, "")
            if value in taken and value != "":
                shown = f"0x{value:02X}" if what == "address" else f'"{value}"'
                raise ValueError(f"{key}.{what} = {shown} is taken by {taken[value]}; choose another")
            taken[value] = key


def _faults_can_happen(s):
    check_faults(s)
    cuts = [
        (fault.at_s, fault.at_s + fault.for_s, f"faults[{index}]")
        for index, fault in enumerate(s.faults)
        if isinstance(fault, PowerCut)
    ]
    cuts.sort()
    for (_, end, first), (start, _, second) in pairwise(cuts):
        if start <= end:
            raise ValueError(f"{second}.at_s = {start:g} begins before the power cut of {first} has ended, at {end:g}")


def shipped_scenarios():
    """Names of the scenarios that come with the project."""
    return sorted(path.stem for path in SCENARIO_DIR.glob("*.toml"))


def load_scenario(name_or_path):
    """A checked scenario.

    Parameters
    ----------
    name_or_path : str or pathlib.Path
        A shipped name ("demo") or the path of a TOML file. A relative `atmosphere.sounding` in it counts from the
        file's folder and comes back as an absolute path.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        One line that names the file, the key, its value and what is allowed.
    """
    path = _find(name_or_path)
    raw = read_toml(path, "a scenario is a TOML file", "give a scenario file")
    scenario = parse_scenario(raw, str(path))
    return _with_absolute_sounding(scenario, path.parent)


def parse_scenario(raw, where):
    """A checked scenario from a dict as `tomllib` makes it; `where` begins the line of an InputError."""
    return checked(Scenario, raw, where)


def _find(name_or_path):
    """The file that is meant. A shipped name wins; a file of that name is reached as ./demo."""
    text = str(name_or_path)
    if text in shipped_scenarios():
        return SCENARIO_DIR / f"{text}.toml"
    path = Path(text).expanduser()
    if path.exists():
        return path
    near = difflib.get_close_matches(text, shipped_scenarios(), n=1)
    if path.with_name(f"{path.name}.toml").is_file():
        near = [f"{text}.toml"]
    hint = f"did you mean {near[0]}?" if near else f"shipped scenarios: {', '.join(shipped_scenarios())}"
    raise InputError(f"{text}: there is no such scenario, by name or as a file; {hint}")


def _with_absolute_sounding(scenario, folder):
    if scenario.atmosphere.sounding is None:
        return scenario
    path = (folder / Path(scenario.atmosphere.sounding).expanduser()).resolve()
    atmosphere = scenario.atmosphere.model_copy(update={"sounding": str(path)})
    return scenario.model_copy(update={"atmosphere": atmosphere})

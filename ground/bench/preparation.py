"""What is known before the board says a word: settings, plan and answers, from files, options and questions."""

from binascii import crc32

from ground.bench.answers import Answers, parse_reading
from ground.bench.evidence import Evidence
from ground.bench.plan import BatteryPlan, PanelPlan, Plan, load_plan
from ground.errors import InputError
from ground.settings import Settings, board_json, load_settings

PROBES = ("outside", "inside")
_SAG_V = 0.3


def is_simulated(port):
    """Whether the port names a simulated board."""
    return port == "sim" or port.startswith("sim:")


def prepare(port, settings_file, plan_file, answers):
    """The evidence to start from.

    Without files, a simulated board brings its scenario's settings and plan; a real one is judged by the default
    settings, and by no plan.

    Raises
    ------
    InputError
        One line about a file that cannot be used.
    """
    settings = load_settings(settings_file) if settings_file else None
    plan = load_plan(plan_file) if plan_file else None
    crc = f"{crc32(board_json(settings).encode()):08x}" if settings else None
    if is_simulated(port):
        own_settings, own_plan = _of_scenario(port)
        settings, plan = settings or own_settings, plan or own_plan
        crc = None  # the simulated board writes its settings file in its own way
    return Evidence({}, settings or Settings(), plan or Plan(), answers, crc)


def _of_scenario(port):
    from ground.simulator.board_description import board_settings
    from ground.simulator.scenario import load_scenario

    scenario = load_scenario(port[4:] or "calm")
    shunt = next((chip.shunt_ohm for chip in scenario.sensors.power if chip.channel == "panel"), 0.1)
    label = {key: value for key, value in scenario.panel.model_dump().items() if key in PanelPlan.model_fields}
    battery = BatteryPlan(full_v=scenario.battery.full_v, empty_v=scenario.battery.empty_v, sag_v_max=_SAG_V)
    plan = Plan(panel=PanelPlan(**label, shunt_ohm=shunt), battery=battery)
    return Settings(**board_settings(scenario, scenario.seed)), plan


def answers_from(typed, *, ice_bath=None, warmed=None, sounder=None, led=None, side_by_side=False, indoors=False):
    """Answers from the words of the options.

    Parameters
    ----------
    typed : dict of str to str or None
        Readings by their name in Answers.
    ice_bath : str, optional
        Probes with commas between.
    warmed : str, optional
    sounder, led : str, optional
        "heard" or "silent"; "seen" or "dark".

    Raises
    ------
    InputError
    """
    readings = {key: parse_reading(key, text) for key, text in typed.items() if text is not None}
    if ("qnh_hpa" in readings) != ("elevation_m" in readings):
        missing, given = ("--elevation", "--qnh") if "qnh_hpa" in readings else ("--qnh", "--elevation")
        raise InputError(f"{given} is of no use alone; give {missing} with it, or --station-pressure instead of both")
    baths = tuple(word.strip() for word in ice_bath.split(",") if word.strip()) if ice_bath else ()
    for option, words in (("--ice-bath", baths), ("--warmed", (warmed,) if warmed else ())):
        for word in words:
            if word not in PROBES:
                raise InputError(f"{option} {word}: must be {' or '.join(PROBES)}")
    return Answers(
        **readings, ice_bath=baths, warmed=warmed, side_by_side=side_by_side, indoors=indoors,
        sounder_heard=None if sounder is None else sounder == "heard", led_seen=None if led is None else led == "seen",
    )  # fmt: skip

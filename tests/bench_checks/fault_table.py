"""Faults of the bench, and what has to be said of each: one finding, its verdict, words that name this fault; no other.

A fault is made where it would happen: in the world (a panel the wrong way round), on the board (a chip is missing), in
the settings, the plan, or in what the person says. `after` is for what the simulated board cannot have (a wrong
crystal, a full memory, a slow loop): there the tables are changed as such a board would have written them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ground.bench.answers import Reading
from ground.bench.finding import NO_GO, WARNING
from ground.bench.panel_point import current_a
from ground.simulator.board_description import board_settings
from tests.bench_checks.bench_runs import CELL_C, LIGHT_WM2, PLAN, Run, raw_scenario

# Those that the test suite tries through a pseudo-terminal and the link (test_live_session.py); the others, which
# differ in what is measured and not in how it comes here, from cards.
OVER_THE_LINE = (
    "SDA and SCL swapped", "wrong address in the settings", "dead probe", "probe unplugged in the run",
    "two probes swapped", "stuck barometer", "noisy barometer", "wrong shunt in the settings", "panel reversed",
    "panel without its load", "wrong load resistor", "receiver silent", "receiver stays in its default mode",
    "no fix indoors", "wrong bit rate in the settings", "board's clock off", "no card", "slow card", "flat battery",
    "sounder silent", "a setting out of range", "loop slow",
)  # fmt: skip
# How long these have to be listened to over the line; the others show in less.
NEEDS_LONG = (
    "probe unplugged in the run",
    "no fix indoors",
    "no fix under open sky",
    "board's clock off",
    "card loses contact",
    "receiver unplugged in the run",
)
LIVE_S, LIVE_LONG_S = 80.0, 125.0
_SECOND_US = 1_000_000


@dataclass(frozen=True)
class BenchFault:
    """A fault, the run that has it, and what has to be said of it."""

    title: str
    run: Run
    finding: str
    verdict: str
    words: tuple[str, ...]
    after: Callable | None = None
    leaves_a_card: bool = True  # False: there is nothing to read afterwards, the fault is seen over the line alone


def live_s(fault):
    """How long to listen to a board that has this fault. [s]"""
    return LIVE_LONG_S if fault.title in NEEDS_LONG else LIVE_S


def problem(fault, judgement):
    """What is wrong with a judgement of this fault, in words; empty if it names the fault and no other."""
    said = judgement.of(NO_GO, WARNING)
    if [one.name for one in said] != [fault.finding]:
        return f"said: {[one.name for one in said] or 'nothing'}; expected: {fault.finding}"
    if said[0].verdict != fault.verdict:
        return f"{fault.finding} is {said[0].verdict}, not {fault.verdict}"
    text = " ".join((said[0].measured, said[0].expected, said[0].why, said[0].do)).lower()
    missing = [word for word in fault.words if word.lower() not in text]
    return f"{missing} not in: {text}" if missing else ""


def _loaded(load_ohm):
    """World columns of the panel with another resistor."""
    amperes = current_a(PLAN.panel, LIGHT_WM2, CELL_C, load_ohm + PLAN.panel.shunt_ohm)
    return {"panel_current_ma": 1000 * amperes, "panel_bus_v": amperes * load_ohm}


def _meter(load_ohm):
    """What a good multimeter shows with that load."""
    columns = _loaded(load_ohm)
    volts, milliamps = round(columns["panel_bus_v"], 2), round(columns["panel_current_ma"], 1)
    return {"panel_ma": Reading(milliamps, 1.0), "panel_volts": Reading(volts, 0.03)}


_NO_METER = {"panel_ma": None, "panel_volts": None}
_NO_BATTERY_METER = {"battery_volts": None, "battery_rest_volts": None}


def _chip(kind, chip, at_s=None, **more):
    moment = {} if at_s is None else {"at_us": int(at_s * _SECOND_US)}
    return {"kind": kind, "chip": chip, **moment, **more}


def _swapped_roms():
    keys = board_settings(raw_scenario({}), 7)
    return {"probe_outside_rom": keys["probe_inside_rom"], "probe_inside_rom": keys["probe_outside_rom"]}


def _plan(**panel):
    return PLAN.model_copy(update={"panel": PLAN.panel.model_copy(update=panel)})


def _pressure(**keys):
    return {"sensors": {"pressure": [{"chip": "ms5611", "name": "pressure", **keys}]}}


def _gnss(**keys):
    return {"gnss": keys}


def _scaled(column, factor):
    return {column: lambda _, values: values * factor}


def _weak_cells():
    return {"battery_v": lambda seconds, volts: volts - 0.5 * (seconds % 20 > 15)}


def _with_column(evidence, table, column, change):
    found = evidence.tables[table]
    changed = replace(found, columns=found.columns | {column: change(np.asarray(found[column]))})
    return replace(evidence, tables=evidence.tables | {table: changed})


def _slow_clock(evidence):
    for name in [name for name, table in evidence.tables.items() if "t_ms" in table.columns]:
        evidence = _with_column(evidence, name, "t_ms", lambda t_ms: np.rint(t_ms * 0.998).astype(np.int64))
    return evidence


def _full_memory(evidence):
    return _with_column(evidence, "health", "heap_free_bytes", lambda free: free * 0 + 15_000)


def _slow_loop(evidence):
    """In the sixth record, at half a minute: long after the start, and well before the bench asks for anything slow."""
    return _with_column(evidence, "health", "loop_max_ms", lambda ms: np.where(np.arange(len(ms)) == 5, 410, ms))


def _other_settings(evidence):
    return replace(evidence, settings_crc="0123abcd")


def faults():
    """All of them, by what they befall."""
    return [*_of_wires(), *_of_measuring(), *_of_the_panel(), *_of_the_receiver(), *_of_the_rest()]


def _of_wires():
    both = (_chip("missing_chip", "pressure"), _chip("missing_chip", "panel"))
    dips = tuple(_chip("brown_out", "panel", at_s) for at_s in (40, 70))
    return [
        BenchFault("SDA and SCL swapped", Run(faults=both), "I2C bus", NO_GO, ("SDA and SCL are swapped",)),
        BenchFault(
            "wrong address in the settings", Run(settings={"pressure_address": 0x76}), "barometer answers", NO_GO,
            ("nothing answers at 0x76; something does at 0x77", "pressure_address",
             "current sensor on the same wires answers"),
        ),
        BenchFault(
            "another kind of chip in its place",
            Run(faults=(_chip("swapped_chip", "pressure", by="bmp280"),)), "barometer answers", NO_GO,
            ("another kind of part",),
        ),
        BenchFault(
            "loose wire to the barometer", Run(faults=(_chip("bit_flips", "pressure", 20, odds=40),)),
            "barometer answers", NO_GO, ("hurt on the way", "plugs"),
        ),
        BenchFault(
            "barometer garbled from the start", Run(faults=(_chip("bit_flips", "pressure", odds=12),)),
            "barometer answers", NO_GO, ("garbled",),
        ),
        BenchFault(
            "current sensor's supply dips", Run(faults=dips), "panel's current sensor answers", WARNING,
            ("restarted by itself 2 times", "supply dipped"),
        ),
        BenchFault(
            "dead probe", Run(faults=(_chip("missing_chip", "inside"),)), "inside thermometer answers", NO_GO,
            ("silent", "outside thermometer on the same wires answers"),
        ),
        BenchFault(
            "one probe alone, and no codes in the settings",
            Run(settings={"probe_outside_rom": "", "probe_inside_rom": ""}, faults=(_chip("missing_chip", "inside"),)),
            "inside thermometer answers", NO_GO, ("only one thermometer is on the wire", "one code at a time"),
        ),
        BenchFault(
            "probe unplugged in the run", Run(faults=(_chip("missing_chip", "outside", 100),)),
            "outside thermometer answers", NO_GO, ("stopped", "good readings", "loose plug"),
        ),
        BenchFault(
            "another probe than the settings name", Run(faults=(_chip("wrong_id", "inside"),)),
            "inside thermometer answers", NO_GO, ("with another code", "probe_inside_rom"),
        ),
        BenchFault(
            "one-wire line shorted", Run(faults=(_chip("stuck_bus", "outside"),)), "one-wire bus", NO_GO,
            ("4.7 kilohm",)
        ),
        BenchFault(
            "two probes swapped", Run(settings=_swapped_roms()), "which probe is which", NO_GO, ("the two are swapped",)
        ),
    ]  # fmt: skip


def _of_measuring():
    ice = {"ice_bath": ("inside",), "side_by_side": False}
    return [
        BenchFault(
            "stuck barometer", Run(faults=(_chip("frozen_value", "pressure", 20),)), "barometer answers", NO_GO,
            ("one and the same word",),
        ),
        BenchFault(
            "noisy barometer", Run(scenario=_pressure(noise_pa=12.0)), "pressure noise", WARNING, ("jumps", "draught")
        ),
        BenchFault(
            "barometer 9 hPa off", Run(scenario=_pressure(offset_pa=-900.0)), "pressure level", NO_GO, ("hPa off",)
        ),
        BenchFault(
            "sea-level pressure typed in as the station's", Run(answers={"station_pressure_hpa": Reading(1014.0, 0.5)}),
            "pressure level", NO_GO, ("reduced to sea level", "--qnh"),
        ),
        BenchFault(
            "thermometer 2 °C off",
            Run(columns={"probe_inside_c": lambda _, c: c + 2.2}, answers={"thermometer_c": None}),
            "thermometers agree", WARNING, ("one of them is wrong",),
        ),
        BenchFault(
            "probe off against another thermometer",
            Run(
                columns={"probe_inside_c": lambda _, c: c + 1.2},
                answers={"side_by_side": False},
            ),
            "inside against another thermometer", WARNING, ("°C off", "--calibrate inside"),
        ),
        BenchFault(
            "1.4 °C in melting ice", Run(columns={"probe_inside_c": 1.4}, answers=ice), "inside in melting ice",
            WARNING,
            ("off by more than its data sheet",),
        ),
    ]  # fmt: skip


def _of_the_panel():
    tenth = _scaled("panel_current_ma", 0.1)
    reversed_ = {"panel_current_ma": lambda _, ma: -ma, "panel_bus_v": 0.0}
    point = "panel's operating point"
    small = _plan(short_circuit_current_ma=50.0, max_power_current_ma=44.0)
    return [
        BenchFault(
            "wrong shunt in the settings", Run(settings={"panel_shunt_microohm": 10_000}), "shunt in the settings",
            NO_GO,
            ("panel_shunt_microohm = 100000", "10 times"),
        ),
        BenchFault(
            "another shunt than settings and plan say", Run(columns=tenth, answers=_meter(PLAN.panel.load_ohm)),
            "panel current by multimeter", NO_GO, ("0.1 times", "about 0.01"),
        ),
        BenchFault(
            "multimeter misread", Run(answers={"panel_ma": Reading(30.0, 1.0)}), "panel current by multimeter", WARNING,
            ("odd one out", "planned 10 ohm", "in series"),
        ),
        BenchFault(
            "another shunt, and no multimeter", Run(columns=tenth, answers=_NO_METER), point, NO_GO,
            ("most often a shunt",),
        ),
        BenchFault(
            "panel reversed", Run(columns=reversed_, answers=_NO_METER), point, NO_GO,
            ("connected the wrong way round",)
        ),
        BenchFault(
            "sensor's inputs swapped", Run(columns=_scaled("panel_current_ma", -1.0), answers=_NO_METER), point, NO_GO,
            ("two inputs", "swapped"),
        ),
        BenchFault(
            "panel without its load", Run(columns=_loaded(1e6), answers=_NO_METER), point, NO_GO,
            ("nothing is connected as a load",),
        ),
        BenchFault(
            "wrong load resistor", Run(columns=_loaded(22.0), answers=_meter(22.0)), point, NO_GO,
            ("the resistor is not 10 ohm but about 22",),
        ),
        BenchFault(
            "panel planned near open circuit",
            Run(columns=_loaded(100.0), answers=_meter(100.0), plan=_plan(load_ohm=100.0)),
            "current follows the sun", WARNING, ("near open circuit", "smaller resistor"),
        ),
        BenchFault("label of another panel in the plan", Run(plan=small), point, WARNING, ("label",)),
    ]  # fmt: skip


def _of_the_receiver():
    steps = _gnss(behaviour="time_step", time_step_at_s=80.0, time_step_s=7.0)
    late = _gnss(first_fix_s=1500.0, again_fix_s=1500.0)
    return [
        BenchFault(
            "receiver silent", Run(faults=(_chip("missing_chip", "gnss"),)), "receiver talks", NO_GO,
            ("not one byte", "TX")
        ),
        BenchFault(
            "receiver unplugged in the run", Run(faults=(_chip("missing_chip", "gnss", 95),)), "receiver talks", NO_GO,
            ("fell silent", "loose plug"),
        ),
        BenchFault(
            "receiver stays in its default mode", Run(scenario=_gnss(behaviour="refuses_model")), "airborne mode",
            NO_GO,
            ("default mode", "12 km"),
        ),
        BenchFault(
            "receiver hears no command", Run(scenario=_gnss(behaviour="no_reply")), "airborne mode", NO_GO,
            ("hears nothing",),
        ),
        BenchFault(
            "no fix indoors", Run(scenario=late, answers={"indoors": True}), "position fix", WARNING,
            ("indoors that is to be expected",),
        ),
        BenchFault("no fix under open sky", Run(scenario=late), "position fix", NO_GO, ("too few satellites",)),
        BenchFault(
            "few satellites", Run(scenario=_gnss(satellites=4)), "satellites in use", WARNING, ("loses the fix",)
        ),
        BenchFault(
            "wrong bit rate in the settings", Run(scenario=_gnss(baud=38400), settings={"gnss_baud": 9600}),
            "receiver's bit rate", WARNING, ("gnss_baud", "another bit rate"),
        ),
        BenchFault(
            "receiver's time steps", Run(scenario=steps), "clock against the receiver", WARNING, ("jumps by 7",)
        ),
        BenchFault(
            "board's clock off", Run(), "clock against the receiver", WARNING, ("s an hour", "crystal"), _slow_clock
        ),
    ]  # fmt: skip


def _of_the_rest():
    slow = {"kind": "card_slow", "factor": 150, "at_us": 20 * _SECOND_US}
    pulled = {"kind": "card_removed", "at_us": 60 * _SECOND_US, "for_us": 30 * _SECOND_US}
    return [
        BenchFault(
            "no card", Run(faults=({"kind": "card_removed"},)), "card write and read-back", NO_GO,
            ("no card", "until it clicks"), leaves_a_card=False,
        ),
        BenchFault(
            "full card", Run(scenario={"card": {"free_mib": 0.0}}), "card write and read-back", NO_GO,
            ("card is full", "delete"), leaves_a_card=False,
        ),
        BenchFault(
            "nearly full card", Run(scenario={"card": {"free_mib": 2.0}}), "card write and read-back", NO_GO,
            ("card is full", "delete"),
        ),
        BenchFault(
            "slow card", Run(faults=(slow,)), "worst write to the card", NO_GO, ("card is busy", "take another card")
        ),
        BenchFault(
            "card loses contact", Run(faults=(pulled,)), "card write and read-back", NO_GO, ("writes failed", "contact")
        ),
        BenchFault(
            "flat battery", Run(columns={"battery_v": 3.75}, answers=_NO_BATTERY_METER), "battery charge", NO_GO,
            ("fresh cells", "lithium AA cells are never charged"),
        ),
        BenchFault(
            "battery half used", Run(columns={"battery_v": 4.3}, answers=_NO_BATTERY_METER), "battery charge", WARNING,
            ("charge those that are made for it", "lithium"),
        ),
        BenchFault(
            "battery gives way", Run(columns=_weak_cells()), "battery under load", WARNING, ("gives way under a load",)
        ),
        BenchFault(
            "divider not as in the settings", Run(settings={"battery_full_scale_mv": 9900}),
            "battery volts by multimeter",
            NO_GO, ("set battery_full_scale_mv = 6",),
        ),
        BenchFault(
            "battery not connected", Run(columns={"battery_v": 0.0}), "battery charge", NO_GO,
            ("the pin sees no battery",)
        ),
        BenchFault(
            "sounder silent", Run(answers={"sounder_heard": False}), "sounder", NO_GO, ("GPIO 15", "transistor")
        ),
        BenchFault("LED dark", Run(answers={"led_seen": False}), "LED", NO_GO, ("GPIO 25", "long leg")),
        BenchFault(
            "a setting out of range", Run(settings={"panel_period_ms": 1}), "settings on the board", NO_GO,
            ("defaults",)
        ),
        BenchFault(
            "other settings than the file", Run(), "settings on the board", WARNING, ("other settings than the file",),
            _other_settings,
        ),
        BenchFault("loop slow", Run(), "loop time", NO_GO, ("holds the loop up",), _slow_loop),
        BenchFault("memory nearly full", Run(), "free memory", NO_GO, ("out of memory",), _full_memory),
    ]  # fmt: skip

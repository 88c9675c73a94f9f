"""Faults of the bench, and what has to be said of each: the findings that are no-go or warnings, and no others.

`names` are words that must stand in what is said, so that a reader is told this fault and not just "something".
"""

from dataclasses import dataclass, replace

from ground.bench.finding import NO_GO, WARNING
from ground.bench.panel_point import current_a
from tests.bench_checks.bench_runs import CELL_C, LIGHT_WM2, PLAN, Run, healthy_answers


@dataclass(frozen=True)
class BenchFault:
    """A fault, the run that has it, the one finding that must name it, and words that must be in that finding."""

    title: str
    run: Run
    finding: str
    verdict: str
    words: tuple[str, ...]


def _loaded(load_ohm, light_wm2=LIGHT_WM2):
    """World columns of the panel with another resistor."""
    amperes = current_a(PLAN.panel, light_wm2, CELL_C, load_ohm + PLAN.panel.shunt_ohm)
    return {"panel_current_ma": 1000 * amperes, "panel_bus_v": amperes * load_ohm}


def _gone(*chips, at_s=None):
    """Chips that do not answer, from power-up or from a moment on."""
    return tuple(
        {"kind": "missing_chip", "chip": chip} | ({} if at_s is None else {"at_us": int(at_s * 1e6)}) for chip in chips
    )


def _healthy_ma():
    return healthy_answers().panel_ma


def _probe_roms(swapped):
    from ground.simulator.board_description import board_settings
    from tests.bench_checks.bench_runs import raw_scenario

    keys = board_settings(raw_scenario({}), 7)
    roms = [keys["probe_outside_rom"], keys["probe_inside_rom"]]
    roms = roms[::-1] if swapped else roms
    return {"probe_outside_rom": roms[0], "probe_inside_rom": roms[1]}


def _plan(**panel):
    return PLAN.model_copy(update={"panel": PLAN.panel.model_copy(update=panel)})


def _pressure(**keys):
    return {"sensors": {"pressure": [{"chip": "ms5611", "name": "pressure"} | keys]}}


def _slow_battery():
    return lambda seconds, volts: volts - 0.5 * (seconds % 20 > 15)


def faults():
    """All of them."""
    no_meter = {"panel_ma": None, "panel_volts": None}
    return [
        BenchFault("SDA and SCL swapped", Run(faults=_gone("pressure", "panel")), "I2C bus", NO_GO, ("SDA and SCL are swapped",)),
        BenchFault("barometer's address in the settings wrong", Run(settings={"pressure_address": 0x76}),
                   "barometer answers", NO_GO, ("0x76", "pressure_address", "current sensor on the same wires answers")),
        BenchFault("another chip in the barometer's place",
                   Run(faults=({"kind": "swapped_chip", "chip": "pressure", "by": "bmp280"},)),
                   "barometer answers", NO_GO, ("another kind of part",)),
        BenchFault("barometer stands still", Run(faults=({"kind": "frozen_value", "chip": "pressure", "at_us": 20_000_000},)),
                   "barometer answers", NO_GO, ("one and the same word",)),
        BenchFault("noisy barometer", Run(scenario=_pressure(noise_pa=12.0)), "pressure noise", WARNING, ("Pa RMS",)),
        BenchFault("barometer 9 hPa off", Run(scenario=_pressure(offset_pa=-900.0)), "pressure level", NO_GO, ("hPa off",)),
        BenchFault("barometer's wire loose", Run(faults=({"kind": "bit_flips", "chip": "pressure", "odds": 12, "at_us": 20_000_000},)),
                   "barometer answers", NO_GO, ("hurt on the way",)),
        BenchFault("barometer's words garbled from the start", Run(faults=({"kind": "bit_flips", "chip": "pressure", "odds": 12},)),
                   "barometer answers", NO_GO, ("garbled",)),
        BenchFault("sensor's supply dips", Run(faults=tuple({"kind": "brown_out", "chip": "panel", "at_us": at * 1_000_000}
                                                            for at in (40, 70))),
                   "panel's current sensor answers", WARNING, ("supply dipped", "2 times")),
        BenchFault("dead probe", Run(faults=_gone("inside")), "inside thermometer answers", NO_GO, ("silent", "outside thermometer")),
        BenchFault("probe unplugged in the run", Run(faults=_gone("outside", at_s=100)), "outside thermometer answers", NO_GO,
                   ("stopped", "good readings")),
        BenchFault("one-wire line shorted", Run(faults=({"kind": "stuck_bus", "chip": "outside"},)), "one-wire bus", NO_GO,
                   ("4.7 kilohm",)),
        BenchFault("two probes swapped", Run(settings=_probe_roms(True)), "which probe is which", NO_GO, ("the two are swapped",)),
        BenchFault("thermometer 2 C off", Run(columns={"probe_inside_c": lambda _, c: c + 2.2}), "thermometers agree", WARNING,
                   ("one of them is wrong",)),
        BenchFault("ice bath 1.4 C off",
                   Run(columns={"probe_inside_c": 1.4}, answers={"warmed": "outside", "ice_bath": ("inside",), "side_by_side": False}),
                   "inside in melting ice", WARNING, ("off by more than its data sheet",)),
        BenchFault("shunt in the settings wrong", Run(settings={"panel_shunt_microohm": 10_000}), "shunt in the settings", NO_GO,
                   ("panel_shunt_microohm = 100000",)),
        BenchFault("another shunt than settings and plan say",
                   Run(columns={"panel_current_ma": lambda _, ma: ma * 0.1}, answers={"panel_ma": _healthy_ma()}),
                   "panel current by multimeter", NO_GO, ("0.1 times", "shunt is not")),
        BenchFault("another shunt, and no multimeter", Run(columns={"panel_current_ma": lambda _, ma: ma * 0.1}, answers=no_meter),
                   "panel's operating point", NO_GO, ("most often a shunt",)),
        BenchFault("panel reversed", Run(columns={"panel_current_ma": lambda _, ma: -ma, "panel_bus_v": 0.0}, answers=no_meter),
                   "panel's operating point", NO_GO, ("panel is connected the wrong way round",)),
        BenchFault("sensor's inputs swapped", Run(columns={"panel_current_ma": lambda _, ma: -ma}, answers=no_meter),
                   "panel's operating point", NO_GO, ("two inputs", "are swapped")),
        BenchFault("panel without its load", Run(columns=_loaded(1e6), answers=no_meter), "panel's operating point", NO_GO,
                   ("nothing is connected as a load",)),
        BenchFault("load resistor wrong", Run(columns=_loaded(10.0), answers=_meter_for(10.0)), "panel's operating point", NO_GO,
                   ("the resistor is not 22 ohm but about 10",)),
        BenchFault("panel planned near open circuit", Run(columns=_loaded(100.0), answers=_meter_for(100.0), plan=_plan(load_ohm=100.0)),
                   "current follows the sun", WARNING, ("near open circuit", "at most")),
        BenchFault("panel's label wrong", Run(plan=_plan(short_circuit_current_ma=50.0, max_power_current_ma=44.0)),
                   "panel's operating point", WARNING, ("label",)),
        BenchFault("receiver silent", Run(faults=_gone("gnss")), "receiver talks", NO_GO, ("Not one byte", "TX")),
        BenchFault("receiver stays in its default mode", Run(scenario={"gnss": {"behaviour": "refuses_model"}}), "airborne mode", NO_GO,
                   ("default mode",)),
        BenchFault("receiver hears no command", Run(scenario={"gnss": {"behaviour": "no_reply"}}), "airborne mode", NO_GO,
                   ("hears nothing",)),
        BenchFault("no fix indoors", Run(scenario={"gnss": {"first_fix_s": 1500.0}}, answers={"indoors": True}), "position fix", WARNING,
                   ("indoors that is to be expected",)),
        BenchFault("no fix under open sky", Run(scenario={"gnss": {"first_fix_s": 1500.0}}), "position fix", NO_GO,
                   ("too few satellites",)),
        BenchFault("few satellites", Run(scenario={"gnss": {"satellites": 4}}), "satellites in use", WARNING, ("loses the fix",)),
        BenchFault("wrong bit rate in the settings", Run(scenario={"gnss": {"baud": 38400}}, settings={"gnss_baud": 9600}),
                   "receiver's bit rate", WARNING, ("gnss_baud",)),
        BenchFault("receiver's clock steps",
                   Run(scenario={"gnss": {"behaviour": "time_step", "time_step_at_s": 80.0, "time_step_s": 7.0}}),
                   "clock against the receiver", WARNING, ("jumps by 7",)),
        BenchFault("board's clock off", Run(), "clock against the receiver", WARNING, ("off by",)),
        BenchFault("slow card", Run(faults=({"kind": "card_slow", "factor": 150, "at_us": 20_000_000},)), "worst write to the card",
                   NO_GO, ("Another card", "card is busy")),
        BenchFault("card pulled in the run", Run(faults=({"kind": "card_removed", "at_us": 60_000_000, "for_us": 30_000_000},)),
                   "card write and read-back", NO_GO, ("writes failed",)),
        BenchFault("flat battery", Run(columns={"battery_v": 3.75}, answers={"battery_volts": None, "battery_rest_volts": None}),
                   "battery charge", NO_GO, ("fresh cells", "Lithium")),
        BenchFault("battery half used", Run(columns={"battery_v": 4.3}, answers={"battery_volts": None, "battery_rest_volts": None}),
                   "battery charge", WARNING, ("Charge it",)),
        BenchFault("battery gives way under load", Run(columns={"battery_v": _slow_battery()}), "battery under load", WARNING,
                   ("gives way under a load",)),
        BenchFault("divider not in the settings", Run(settings={"battery_full_scale_mv": 9900}, answers={}), "battery volts by multimeter",
                   NO_GO, ("battery_full_scale_mv = 66",)),
        BenchFault("battery not connected", Run(columns={"battery_v": 0.0}), "battery charge", NO_GO, ("the pin sees no battery",)),
        BenchFault("loop slow", Run(faults=({"kind": "late_answer", "chip": "panel", "late_us": 20_000},)), "loop time", NO_GO,
                   ("holds the loop up",)),
        BenchFault("sounder silent", Run(answers={"sounder_heard": False}), "sounder", NO_GO, ("plus",)),
        BenchFault("LED dark", Run(answers={"led_seen": False}), "LED", NO_GO, ("long leg",)),
        BenchFault("a setting out of range", Run(settings={"panel_period_ms": 1}), "settings on the board", NO_GO, ("defaults",)),
    ]  # fmt: skip


def _meter_for(load_ohm):
    """What a good multimeter shows with that load."""
    from ground.bench.answers import Reading

    columns = _loaded(load_ohm)
    return {
        "panel_ma": Reading(round(columns["panel_current_ma"], 1), 1.0),
        "panel_volts": Reading(round(columns["panel_bus_v"], 2), 0.03),
    }


def _slow_clock(evidence, ppm=2000.0):
    """The evidence as a board whose clock counts too few milliseconds would give it."""
    tables = {}
    for name, table in evidence.tables.items():
        columns = dict(table.columns)
        columns["t_ms"] = (columns["t_ms"] * (1 - ppm * 1e-6)).astype("int64")
        tables[name] = replace(table, columns=columns)
    return replace(evidence, tables=tables)

"""A board on a table, simulated: its world, a run of some minutes, and the evidence that the checks look at.

The world is the calm flight's before its release, with what matters on a bench put in its place: one steady light on
the panel, both thermometers in one room, a hand on one of them for a while. The firmware runs as it flies.
"""

import json
import tempfile
import threading
from binascii import crc32
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from pathlib import Path
from types import MappingProxyType
from unittest import mock

import numpy as np
from pydantic import ValidationError

from ground.bench.answers import Answers, Reading
from ground.bench.evidence import Evidence
from ground.bench.link import open_board
from ground.bench.panel_point import current_a
from ground.bench.plan import BatteryPlan, PanelPlan, Plan
from ground.bench.session import Session
from ground.decode.convert import convert
from ground.decode.frames.records import read
from ground.decode.salvage.sources import open_source
from ground.errors import InputError
from ground.settings import Settings
from ground.simulator.board_description import board_settings
from ground.simulator.flight import fly
from ground.simulator.scenario import load_scenario, parse_scenario
from ground.simulator.world import build_world

RUN_S = 125.0
LIGHT_WM2, CELL_C, ROOM_C = 650.0, 31.0, 21.0
WARM_S = (50.0, 85.0)  # while a hand holds the outside thermometer
_NUMBERS = count()
_OPENING = threading.Lock()  # what stands in for the scenario while a board is made is everybody's
PLAN = Plan(panel=PanelPlan(), battery=BatteryPlan())


@dataclass
class Run:
    """What differs from a healthy bench: the world, the board, the plan, the person."""

    columns: dict = field(default_factory=dict)  # of the world: name -> value, or function of (seconds, healthy values)
    scenario: dict = field(default_factory=dict)  # tables of the scenario file that differ
    settings: dict = field(default_factory=dict)  # keys of the board's settings that differ
    faults: tuple = ()  # as board/faults.py takes them
    plan: Plan = PLAN
    answers: dict = field(default_factory=dict)  # fields of Answers that differ
    run_s: float = RUN_S


@cache
def calm_world():
    return build_world(load_scenario("calm"))


def bench_world(changes=None):
    """The calm world on a bench, its columns as arrays over the whole flight."""
    world = calm_world()
    columns = dict(world.columns)
    count = len(columns["altitude_m"])
    seconds = np.arange(count) * world.step_ms / 1000
    load = PLAN.panel.load_ohm
    milliamps = 1000 * current_a(PLAN.panel, LIGHT_WM2, CELL_C, load + PLAN.panel.shunt_ohm)
    columns["panel_current_ma"] = np.full(count, milliamps)
    columns["panel_bus_v"] = np.full(count, milliamps * load / 1000)
    columns["probe_inside_c"] = np.full(count, ROOM_C)
    columns["probe_outside_c"] = np.interp(seconds, [WARM_S[0], WARM_S[0] + 20, WARM_S[1], WARM_S[1] + 40],
                                           [ROOM_C, ROOM_C + 7, ROOM_C + 8, ROOM_C])  # fmt: skip
    columns["battery_v"] = np.full(count, 4.95)
    for name, change in (changes or {}).items():
        columns[name] = change(seconds, columns[name]) if callable(change) else np.full(count, float(change))
    return replace(world, columns=MappingProxyType(columns))


def raw_scenario(changes):
    """The calm scenario's file with some tables replaced."""
    raw = load_scenario("calm").model_dump(exclude_unset=True)
    for table, values in changes.items():
        raw[table] = raw.get(table, {}) | values
    return parse_scenario(raw, "bench")


def run_bench(run=None):
    """Switch the board on, let it run, read its card: the evidence."""
    run = run or Run()
    scenario = raw_scenario(run.scenario)
    world = replace(bench_world(run.columns), scenario=scenario)
    on_board = board_settings(scenario, scenario.seed, run.settings)
    with tempfile.TemporaryDirectory() as folder:
        result = fly(
            scenario, Path(folder), world=world, stop_after_s=run.run_s, settings=run.settings, faults=run.faults
        )
        opened = open_source(result.card_image, lambda *_: None)
        decoded = convert(read(opened.buffers), opened.files)
    return Evidence(
        tables={table.name: table for table in decoded.tables},
        settings=_file_settings(on_board, scenario),
        settings_crc=f"{crc32(json.dumps(on_board).encode()):08x}",
        plan=run.plan,
        answers=replace(healthy_answers(), **run.answers),
        simulated=True,
    )


def _file_settings(on_board, scenario):
    """The file as the person has it: what the board has, unless that is no valid file."""
    try:
        return Settings(**on_board)
    except ValidationError:
        return Settings(**board_settings(scenario, scenario.seed))


def healthy_answers():
    """What a careful person types in at the healthy bench, from instruments of their own."""
    world = bench_world()
    volts, milliamps = float(world.columns["panel_bus_v"][0]), float(world.columns["panel_current_ma"][0])
    return Answers(
        station_pressure_hpa=Reading(round(float(world.columns["pressure_hpa"][0]), 1), 0.5),
        warmed="outside",
        side_by_side=True,
        thermometer_c=Reading(21.0, 0.3),
        panel_volts=Reading(round(volts, 2), 0.02),
        panel_ma=Reading(round(milliamps, 1), 1.0),
        battery_volts=Reading(4.94, 0.03),
        battery_rest_volts=Reading(5.03, 0.03),
        sounder_heard=True,
        led_seen=True,
    )


def run_live(run=None, speed=12.0, seconds=None):
    """The same over the line: a simulated board behind a pseudo-terminal, listened to as a real one; the evidence."""
    run = run or Run()
    scenario = raw_scenario(run.scenario)
    on_board = board_settings(scenario, scenario.seed, run.settings)
    start = Evidence(
        {}, _file_settings(on_board, scenario), run.plan, replace(healthy_answers(), **run.answers),
        f"{crc32(json.dumps(on_board).encode()):08x}",
    )  # fmt: skip
    with simulated_board(run, speed) as board:
        session = Session(board, start, seconds or run.run_s)
        session.run()
    return session.evidence


@contextmanager
def simulated_board(run, speed):
    """An open link to a board with this run's world and faults."""
    # a name of its own, because boards of one scenario share their world
    scenario = raw_scenario(run.scenario).model_copy(update={"name": f"bench {next(_NUMBERS)}"})
    world = replace(bench_world(run.columns), scenario=scenario)
    with (
        _OPENING,
        mock.patch("ground.simulator.serial_board.build_world", lambda *_: world),
        mock.patch("ground.simulator.scenario.load_scenario", lambda _: scenario),
    ):
        board = _opened(speed, run)
    try:
        yield board
    finally:
        board.close()


def _opened(speed, run):
    """On a machine that has too much to do the board may be too slow to be reached; that is not what is tried here."""
    for _ in range(3):
        try:
            return open_board("sim", speed=speed, settings=run.settings, faults=run.faults)
        except InputError as error:
            last = error
    raise last

"""Turns a scenario and its world into what one boot of the virtual board is told: `board.json` and its table.

`board.json` holds: `import_folders` (where firmware and board are found), `seed`, `boot`, `cause` ("power",
"watchdog", "reset"), `start_us` and `end_us` (world time), `ticks_start_ms`, `start_unix_us`, `world` (arguments of
WorldRows), `wiring` (pins, from the settings), `chips` (arguments of the virtual chips), `gnss` or `recording`, `card`
(image), `card_interface` ("block" or "spi"), `card_kind`, `faults`, `flash` (image) or `flash_folder`, `state` and
`state_out` (what chips keep from one boot to the next), `journal` (file for every write, write_journal.py),
`heap_every_us` (how often the interpreter's heap is noted).
"""

from pathlib import Path

import numpy as np

from ground.errors import InputError
from ground.settings import Settings
from ground.simulator.board.chips.ds18b20 import made_up_rom
from ground.simulator.board.gnss.behaviour import GENERATIONS
from ground.simulator.gnss_stream import read_stream, schedule, split_epochs

REPOSITORY = Path(__file__).resolve().parents[2]
_STREAM_TAIL_S = 8.0  # a stream flight goes on for so long after the last byte, so that its last epoch is logged
WIRING_KEYS = (
    "i2c_sda", "i2c_scl", "onewire_pin", "gnss_tx", "gnss_rx", "battery_pin", "card_sck", "card_mosi",
    "card_miso", "card_cs",
)  # fmt: skip
_CHIP_COLUMNS = (
    "latitude_deg", "longitude_deg", "altitude_m", "geoid_separation_m", "speed_north_mps", "speed_east_mps",
    "climb_mps", "pressure_hpa", "box_c", "box_humidity_pct", "panel_bus_v", "panel_current_ma", "battery_v",
)  # fmt: skip


def board_settings(scenario, seed, changes=None):
    """The flat settings of the board that fits this scenario: wiring, addresses and rates as the scenario has them.

    `changes` (a dict, or a whole ground.settings.Settings) wins. Nothing is checked here: a test may want a bad value.
    """
    settings = Settings().model_dump()
    settings["gnss_baud"] = scenario.gnss.baud
    for chip in scenario.sensors.pressure[:1]:
        settings["pressure_chip"], settings["pressure_address"] = chip.chip, chip.address
    for chip in scenario.sensors.power:
        if chip.channel == "panel":
            settings["panel_chip"], settings["panel_address"] = chip.chip, chip.address
            settings["panel_shunt_microohm"] = round(chip.shunt_ohm * 1e6)
    for chip in scenario.sensors.battery[:1]:
        settings["battery_full_scale_mv"] = round(chip.full_scale_mv)
    for place in ("outside", "inside"):
        for chip in scenario.sensors.temperature:
            if chip.place == place:
                settings[f"probe_{place}_chip"] = chip.chip
                if chip.chip == "tmp117":
                    settings[f"probe_{place}_address"] = chip.address
                else:
                    settings[f"probe_{place}_rom"] = chip.rom or made_up_rom(seed, chip.name).hex()
                break
    return settings | (changes.model_dump() if isinstance(changes, Settings) else changes or {})


def gnss_description(scenario):
    """Arguments of the virtual receiver."""
    described = scenario.gnss.model_dump()
    described["generation"] = GENERATIONS.get(described["behaviour"], described["generation"])
    return described


def recording_description(path, baud):
    """Arguments of a played-back recording: the file, its epochs, and when each is said after the first."""
    data = read_stream(path)
    ends = split_epochs(data)
    starts_us, duration_us = schedule(data, ends, baud)
    return {
        "path": str(Path(path).resolve()),
        "ends": ends,
        "offsets_us": starts_us,
        "duration_us": duration_us,
        "tail_us": int(_STREAM_TAIL_S * 1e6),
        "baud": baud,
    }


def fault_descriptions(scenario, released_s, more=()):
    """The scenario's faults in world time (after power-up), and `more` in the same form as board/faults.py takes."""
    described = []
    for fault in scenario.faults:
        one = {}
        for key, value in fault.model_dump(exclude_none=True).items():
            if key == "at_s":
                one["at_us"] = round((released_s + value) * 1e6)
            elif key.endswith("_s"):
                one[key[:-1] + "us"] = round(value * 1e6)
            elif key.endswith("_ms"):
                one[key[:-2] + "us"] = round(value * 1e3)
            else:
                one[key] = value
        described.append(one)
    return described + [dict(fault) for fault in more]


def write_world(world, path):
    """Write the columns that chips read as rows of doubles; gives the arguments of WorldRows."""
    names = [name for name in world.columns if name in _CHIP_COLUMNS or name.startswith("probe_")]
    table = np.column_stack([np.asarray(world.columns[name], dtype="<f8") for name in names])
    table.tofile(path)
    return {"path": str(path), "columns": names, "step_us": world.step_ms * 1000, "row_count": len(table)}


def chip_descriptions(scenario, settings):
    """Arguments of each virtual chip. Raises InputError for one that nobody can place."""
    described = []
    for key, chip in scenario.sensors.all():
        common = {"chip": chip.chip, "name": chip.name}
        if chip.chip in ("ms5611", "bmp280", "bme280"):
            described.append(common | {"address": chip.address, "offset_pa": chip.offset_pa, "noise_pa": chip.noise_pa})
        elif chip.chip == "ds18b20":
            described.append(
                common | {"column": f"probe_{chip.name}_c", "rom": chip.rom, "offset_c": chip.offset_c}
            )
        elif chip.chip == "tmp117":
            described.append(
                common | {"column": f"probe_{chip.name}_c", "address": chip.address, "offset_c": chip.offset_c}
            )
        elif chip.chip in ("ina219", "ina226"):
            described.append(
                common
                | {"address": chip.address, "shunt_ohm": chip.shunt_ohm,
                   "shunt_tolerance_pct": chip.shunt_tolerance_pct}
            )  # fmt: skip
            described[-1] |= _columns_of_channel(key, chip.channel)
        elif chip.chip == "adc":
            described.append(
                common
                | {"pin": settings["battery_pin"], "full_scale_mv": chip.full_scale_mv, "noise_mv": chip.noise_mv}
            )
        else:
            raise InputError(f"{key}.chip = \"{chip.chip}\" has no virtual chip yet; choose another")
    return described


def _columns_of_channel(key, channel):
    if channel != "panel":
        raise InputError(f'{key}.channel = "{channel}" is nothing the simulated world has; known: panel')
    return {"bus_v": "panel_bus_v", "current_ma": "panel_current_ma"}

"""Flies a scenario: the firmware, boot after boot, on the virtual board, until the world ends.

Each boot is a process of its own. A power cut, a watchdog that was not fed or `machine.reset()` ends one, and the next
begins with the same card and the same flash; so what survives a reset is what the firmware wrote down, nothing else.
"""

import json
import shutil
import tempfile
import time
from pathlib import Path

from ground.errors import InputError
from ground.simulator.board_description import (
    REPOSITORY,
    WIRING_KEYS,
    board_settings,
    chip_descriptions,
    fault_descriptions,
    gnss_description,
    recording_description,
    write_world,
)
from ground.simulator.boot_process import BoardFailure, run_boot
from ground.simulator.flight_progress import FlightProgress
from ground.simulator.flight_result import FlightResult, write_notes, write_truth
from ground.simulator.interpreter import find_interpreter
from ground.simulator.storage import prepare_card, prepare_flash

_RESET_TO_MAIN_US = 250_000  # from supply or reset to the first line of main.py
_BOOTS_MAX = 400
_CUTS_AT_WRITES = ("power_cut_at_write", "power_cut_at_flash_write")
_STREAM_WAIT_US = 900_000_000  # how long a recording waits for the firmware to listen
_STREAM_START_US = 15_000_000  # when it usually has begun and ended its tail, for the progress bar


def fly(scenario, out_dir, *, sounding=None, gnss_stream=None, seed=None, runtime="micropython", progress=None,
        card_image=None, settings=None, faults=(), firmware_folder=None, flash_image=None, flash_folder=None,
        world=None, ticks_start_ms=None, stop_after_s=None, journal=None, heap_every_s=None, scratch=None):
    """Fly the firmware through a scenario; leaves card.img, flash.img, truth.parquet and flight.json in `out_dir`.

    Parameters
    ----------
    scenario : Scenario
    out_dir : str or pathlib.Path
        Made if it is not there. Existing files of those names are replaced.
    sounding, gnss_stream : path, optional
        A measured atmosphere; a recording of a receiver, played in place of the virtual one. The flight then lasts
        as long as the recording.
    seed : int, optional
        In place of the scenario's own.
    runtime : {"micropython", "cpython"}
    progress : callable, optional
        progress(share, text): how much of the flight is done, 0 to 1, and a line about it.
    card_image : path, optional
        Start with a copy of this card instead of an empty one.
    settings : dict or ground.settings.Settings, optional
        Keys of the board's settings that differ from what fits the scenario.
    faults : iterable of dict
        More faults, as board/faults.py takes them (times in us after power-up).
    firmware_folder : path, optional
        Folder that holds `firmware/` and `shared_protocol/`, .py or .mpy; by default this repository.
    flash_image : path, optional
        Start with a copy of this flash instead of an empty one. On MicroPython only.
    flash_folder : path, optional
        A folder in place of the flash, kept after the flight. CPython always has one, by default one to throw away.
    world : World, optional
        In place of the scenario's world.
    ticks_start_ms : int, optional
        What ticks_ms() says at the start of each boot. [ms]
    stop_after_s : float, optional
        End the flight so long after power-up. [s]
    journal : path, optional
        File to which every write of card and flash is appended (board/write_journal.py).
    heap_every_s : float, optional
        So often, when the firmware collects its garbage, the interpreter really does and its heap is noted in the
        report of the boot, as `heap`. On MicroPython.
    scratch : path, optional
        Folder to keep what is otherwise thrown away: the world's table and the description of the last boot.

    Returns
    -------
    FlightResult

    Raises
    ------
    InputError
        If the folder, the recording or the card image cannot be used, or the firmware starts again without end.
    """
    began = time.monotonic()
    out_dir = _usable_folder(out_dir)
    seed = scenario.seed if seed is None else seed
    interpreter = find_interpreter(runtime)
    if world is None:
        from ground.simulator.world import build_world

        world = build_world(scenario, sounding, seed)
    result = FlightResult(out_dir, out_dir / "card.img", out_dir / "truth.parquet", seed, interpreter.name)
    if interpreter.notice:
        result.notices.append(interpreter.notice)
    result.notices += world.facts["notes"]
    result.facts = dict(world.facts)
    with tempfile.TemporaryDirectory(prefix="thistledown-") as name:
        scratch = _usable_folder(scratch or name)
        board_settings_ = board_settings(scenario, seed, settings)
        recording = gnss_stream and recording_description(gnss_stream, board_settings_["gnss_baud"])
        has_chip = flash_folder is None and interpreter.name == "micropython"
        if has_chip:
            result.flash_image = out_dir / "flash.img"
            flash = {"flash": str(result.flash_image.resolve())}
            size_kib = scenario.flash.size_kib
            prepare_flash(interpreter, result.flash_image, flash_image, size_kib, board_settings_, scratch)
        else:
            flash = _folder_as_flash(flash_folder or scratch / "flash", board_settings_)
        image = scratch / "card.img" if _same_file(card_image, result.card_image) else result.card_image
        prepare_card(interpreter, image, card_image, scenario.card.size_mib, scenario.card.free_mib)
        common = {
            "import_folders": _import_folders(firmware_folder),
            "seed": seed,
            "world": write_world(world, scratch / "world.f64"),
            "start_unix_us": round(world.start_utc.timestamp() * 1000) * 1000,
            "wiring": {key: board_settings_[key] for key in WIRING_KEYS},
            "chips": chip_descriptions(scenario, board_settings_),
            "card": str(image.resolve()),  # the board works in a folder of its own
            "card_interface": scenario.card.interface,
            "card_kind": scenario.card.kind,
            "journal": journal and str(Path(journal).resolve()),
            "heap_every_us": heap_every_s and round(heap_every_s * 1e6),
            **flash,
        }
        if recording:
            common["recording"] = recording
        else:
            common["gnss"] = gnss_description(scenario)
        all_faults = fault_descriptions(scenario, world.facts["released_s"], faults)
        end_us = _end_us(world, common, stop_after_s)
        if ticks_start_ms is not None:
            common["ticks_start_ms"] = ticks_start_ms
        expected_us = end_us
        if "recording" in common:
            expected_us = min(end_us, _STREAM_START_US + common["recording"]["duration_us"])
        report = FlightProgress(progress, world, expected_us / 1e6)
        _boot_after_boot(result, interpreter, common, all_faults, end_us, scratch, report)
        if image != result.card_image:
            shutil.move(image, result.card_image)
    result.host_s = time.monotonic() - began
    write_truth(world, result)
    write_notes(result, scenario)
    return result


def _boot_after_boot(result, interpreter, common, faults, end_us, scratch, report):
    start_us, cause, state, writes, flash_writes = 0, "power", None, 0, 0
    while start_us + _RESET_TO_MAIN_US < end_us:
        if len(result.boots) >= _BOOTS_MAX:
            raise InputError(
                f"the firmware started {_BOOTS_MAX} times within {start_us / 1e6:.0f} s and the flight was given up; "
                f"the last ending: {result.boots[-1]['reason']} ({result.boots[-1]['detail']}); see flight.json"
            )
        for fault in faults:
            fault["writes_before"] = flash_writes if fault["kind"] == "power_cut_at_flash_write" else writes
        description = {
            "ticks_start_ms": _RESET_TO_MAIN_US // 1000,
            **common,
            "boot": len(result.boots) + 1,
            "cause": cause,
            "start_us": start_us + _RESET_TO_MAIN_US,
            "end_us": end_us,
            "faults": faults,
            "state": state,
            "state_out": str(scratch / "state.json"),
        }
        boot = run_boot(interpreter, description, scratch, report)
        boot |= {"cause": cause, "start_us": start_us}
        result.boots.append(boot)
        writes += boot["block_writes"]
        flash_writes += boot["flash"]["operations"] if boot["flash"] else 0
        result.duration_s = boot["world_us"] / 1e6
        state = json.loads((scratch / "state.json").read_text(encoding="utf-8"))
        if boot["reason"] == "end_of_world":
            return
        start_us = boot["world_us"]
        cause = boot["reason"]
        if cause == "power_cut":
            cause = "power"
            start_us += _time_off_us(faults, boot["world_us"])


def _time_off_us(faults, cut_us):
    """How long the supply stays away after a cut at this moment."""
    for fault in faults:
        if fault["kind"] == "power_cut" and fault["at_us"] == cut_us:
            return fault.get("for_us", 1_000_000)
        if fault["kind"] in _CUTS_AT_WRITES and fault["write"] > fault["writes_before"]:
            return fault.get("for_us", 1_000_000)
    return 1_000_000


def _end_us(world, common, stop_after_s):
    end_us = (len(world.columns["altitude_m"]) - 1) * world.step_ms * 1000
    if "recording" in common:  # the recording itself ends the flight; this is for a firmware that never listens
        end_us = _STREAM_WAIT_US + common["recording"]["duration_us"]
    if stop_after_s is not None:
        end_us = min(end_us, round(stop_after_s * 1e6))
    return end_us


def _usable_folder(out_dir):
    out_dir = Path(out_dir)
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        probe = out_dir / ".thistledown-probe"
        probe.touch()
        probe.unlink()
    except OSError as error:
        raise InputError(f"{out_dir}: cannot be written into ({error.strerror}); name another folder") from None
    return out_dir


def _folder_as_flash(folder, settings):
    folder = Path(folder).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
    return {"flash_folder": str(folder)}


def _same_file(a, b):
    return a is not None and Path(b).exists() and Path(a).exists() and Path(a).samefile(b)


def _import_folders(firmware_folder):
    """The firmware's folder first; the repository supplies the virtual board."""
    if firmware_folder is None:
        return [str(REPOSITORY)]
    folder = Path(firmware_folder).resolve()
    if not (folder / "firmware").is_dir():
        raise InputError(f"{folder}: holds no folder firmware/; name the folder above it")
    return [str(folder), str(REPOSITORY)]


__all__ = ["BoardFailure", "FlightResult", "fly"]

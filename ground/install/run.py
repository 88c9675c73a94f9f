"""One installation from beginning to end, and what there is to tell about it."""

import json
import time
from contextlib import suppress

from ground.errors import InputError
from ground.install.install import carry_out, look_at, plan
from ground.install.package import firmware_package
from ground.settings import Settings, board_json, changed_from_default, doubts, load_settings

_BACK_S = 10.0
_GONE_S = 0.3  # of a restarting board, before its port comes back


def install(
    port,
    settings_path=None,
    *,
    dry_run=False,
    make_room=False,
    say=print,
    progress=lambda share, text: None,
    package=None,
    name=None,
):
    """Put firmware and settings on the board at a port.

    Parameters
    ----------
    port : str
    settings_path : path, optional
        Settings in TOML; without them the board keeps its own, and a board without any gets the defaults.
    dry_run : bool
        Find out and tell what would be done, change nothing.
    make_room : bool
        Remove the second copy of old flights from the flash if there is no room otherwise.
    say, progress : callable
        say(line) and progress(share, text).
    package : Package, optional
        In place of this project's firmware.
    name : str, optional
        What to call the board in place of its port.

    Returns
    -------
    Work

    Raises
    ------
    InputError
        Wrong settings, a board that can't take the firmware, a board lost on the way.
    """
    from ground.bench.link_port import open_port
    from ground.install.board_files import BoardFiles

    settings = load_settings(settings_path) if settings_path is not None else None
    open_port(port).close()  # whoever mistyped it should not have to wait
    progress(0.0, "compiling")
    package = package or firmware_package()  # before the board is stopped: its watchdog does not wait
    progress(0.0, "looking at the board")
    with BoardFiles(port) as board:
        facts = look_at(board, package)
        if facts.has_firmware:
            board.keep_watchdog()
        text = _settings_text(settings, facts.settings)
        work = plan(board, facts, package, text, make_room)
        _tell_board(say, name or port, facts)
        _tell_work(say, package, work, dry_run)
        if not dry_run and not work.is_nothing:
            carry_out(board, package, work, progress)
        if not dry_run or facts.has_firmware:
            board.restart()
    told = _tell_outcome(say, package, work, text or facts.settings, dry_run)
    if told and settings is None:
        say("Settings are a file: thistledown settings init settings.toml, edit it, and install with --settings FILE.")
    if not dry_run:
        _wait_for(port)
    return work


def _settings_text(settings, there):
    """The bytes of settings.json to be on the board, None to leave what is there."""
    if settings is not None:
        return board_json(settings).encode()
    return None if there is not None else board_json(Settings()).encode()


def _tell_board(say, name, facts):
    runs = f"firmware in folder {facts.running_slot}" if facts.running_slot else (
        "firmware of another installation" if facts.has_firmware else "no firmware of ours"
    )  # fmt: skip
    say(f"{name}: MicroPython {facts.micropython}, {facts.machine}; {runs}; {facts.free_bytes // 1024} KiB free.")


def _tell_work(say, package, work, dry_run):
    if work.is_nothing:
        say("Everything is on the board already.")
        return
    would = "Would" if dry_run else "Will"
    if work.is_current:
        say(f"{would} leave the firmware, it is this one already.")
    else:
        size = sum(len(package.files[path]) for path in work.send)
        parts = [
            does.format(len(paths))
            for does, paths in (
                (f"send {{}} files ({size / 1024:.0f} KiB)", work.send), ("copy {} from the other folder", work.copy),
                ("keep {}", work.keep), ("remove {}", work.remove),
            ) if paths
        ]  # fmt: skip
        say(f"{would} fill folder {work.slot}: {', '.join(parts)}.")
    if work.copies:
        say(f"{would} remove the second copy of old flights from the flash.")
    for name in work.root:
        say(f"{would} write {name}.")
    if work.settings is not None:
        say(f"{would} write the settings.")


def _tell_outcome(say, package, work, text, dry_run):
    """What runs now; True if settings want to be changed, without a word yet about how."""
    say(("Would then run" if dry_run else "Runs now") + f": firmware build {package.build} in folder {work.slot}.")
    values = _values(text)
    if values is None:
        say("! The board's settings cannot be read, and it would fly with the defaults.")
        return True
    known, left = _known(values)
    if left:
        say(f"! This firmware does not take some of the board's settings: {', '.join(left)}.")
    for line in changed_from_default(known):
        say(f"  {line}")
    doubtful = doubts(known)
    for doubt in doubtful:
        say(f"! {doubt}")
    return bool(left or doubtful)


def _values(text):
    with suppress(ValueError):
        values = json.loads(text)
        return values if isinstance(values, dict) else None
    return None


def _known(values):
    """Settings with every value that is good, and the keys of the others."""
    good, left = {}, []
    for key, value in values.items():
        try:
            good = Settings(**good, **{key: value}).model_dump(include={*good, key})
        except ValueError:
            left.append(key)
    return Settings(**good), left


def _wait_for(port):
    """Until the port of the restarting board is back, so that the next command finds it."""
    from ground.bench.link_port import open_port

    until = time.monotonic() + _BACK_S
    time.sleep(_GONE_S)
    while time.monotonic() < until:
        with suppress(InputError):
            open_port(port).close()
            return
        time.sleep(0.2)

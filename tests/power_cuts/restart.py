"""Cuts a recorded flight at one write, starts the firmware on what is left, and reads the card again."""

import shutil
import subprocess
from dataclasses import dataclass

import numpy as np

from ground.decode.frames.records import read
from ground.decode.salvage.sources import open_source
from ground.errors import InputError
from ground.simulator.board.write_journal import CARD_WRITE
from ground.simulator.boot_process import run_boot
from ground.simulator.interpreter import find_interpreter
from ground.simulator.storage import copy_sparse
from tests.power_cuts.cuts import torn_flash, torn_sector
from tests.power_cuts.journal import CardStates, FlashStates, read_journal
from tests.power_cuts.marks import joined, marks_of_rows

OFF_US = 1_000_000
RUN_US = 4_000_000  # of the restarted board: it opens its log and fills a few sectors
RESET_US = 250_000  # to the first line of main.py, as in ground/simulator/flight.py


@dataclass
class After:
    """What came of a cut and the restart behind it."""

    report: dict  # of the restarted boot
    writes: list  # that the restarted boot made
    first_write_us: int  # from power-up to the first sector on the card; -1 without one
    flash: bytes  # as the cut left it
    decoded: dict  # (log id, boot) -> marks of the frames (marks.py), from the card
    flash_at_cut: dict  # the same from the flash as the cut left it, where the cut was at the flash
    decoded_flash: dict  # the same from the flash after the restart
    torn: bytes | None = None  # what the sector in flight holds
    fsck_before: str = ""
    fsck_after: str = ""


class Bench:
    """Works through the cuts of one recorded flight, best in rising order; `folder` is its own.

    Parameters
    ----------
    recorded : recorded.Recorded
    folder : pathlib.Path
    """

    def __init__(self, recorded, folder):
        folder.mkdir(parents=True, exist_ok=True)
        self.recorded = recorded
        self._folder = folder
        self._card = CardStates(recorded.card_before, recorded.writes, folder / "card.img")
        self._flash = FlashStates(recorded.flash_before, recorded.writes)
        self._flash_path = folder / "flash.img"
        self._journal = folder / "journal.bin"
        self._interpreter = find_interpreter()

    def close(self):
        self._card.close()

    def lay(self, cut):
        """Bring card and flash to what the cut left; the blocks to take back, and the torn sector or None."""
        writes, card = self.recorded.writes, self._card
        write = writes[cut.number - 1]
        card.go_to(cut.done)
        flash = bytearray(self._flash.after(cut.done))
        touched, torn = set(), None
        dropped = cut.dropped(writes)
        for number in dropped:
            block = writes[number - 1].block
            card.put(block, card.block(block, cut.number, dropped))
            touched.add(block)
        if cut.kind in ("torn", "garbage"):
            if write.what == CARD_WRITE:
                old = card.block(write.block, cut.number - 1)
                torn = torn_sector(old, write.data, cut.split) if cut.kind == "torn" else cut.chance().randbytes(512)
                card.put(write.block, torn)
                touched.add(write.block)
            else:
                torn_flash(flash, write, cut)
        self._flash_path.write_bytes(flash)
        return touched, torn

    def try_out(self, cut):
        """One case: cut, look, start again, decode, take back."""
        touched, torn = self.lay(cut)
        written = []
        try:
            before = fsck_text(self._card.path)
            flash = self._flash_path.read_bytes()
            is_at_flash = self.recorded.writes[cut.number - 1].what != CARD_WRITE
            flash_at_cut = decoded_frames(self._flash_path) if is_at_flash else {}
            report, written = self._start(cut)
            after = fsck_text(self._card.path)
            on_card = [write.at_us for write in written if write.what == CARD_WRITE]
            power_up_us = self.recorded.writes[cut.number - 1].at_us + OFF_US
            return After(
                report, written, on_card[0] - power_up_us if on_card else -1, flash,
                decoded_frames(self._card.path), flash_at_cut, decoded_frames(self._flash_path), torn, before, after,
            )  # fmt: skip
        finally:
            self._card.take_back(touched | {write.block for write in written if write.what == CARD_WRITE})

    def _start(self, cut):
        start_us = self.recorded.writes[cut.number - 1].at_us + OFF_US + RESET_US
        self._journal.unlink(missing_ok=True)
        description = self.recorded.description | {
            "boot": len(self.recorded.boots) + 1,
            "cause": "power",
            "start_us": start_us,
            "end_us": start_us + RUN_US,
            "faults": [],
            "card": str(self._card.path),
            "flash": str(self._flash_path),
            "journal": str(self._journal),
            "state_out": None,
        }
        report = run_boot(self._interpreter, description, self._folder, lambda _s: None)
        return report, read_journal(self._journal) if self._journal.exists() else []

    def kept(self, goal_card, goal_flash, cut):
        """Leave card and flash of a cut as files, for somebody to look at."""
        touched, _ = self.lay(cut)
        copy_sparse(self._card.path, goal_card)
        shutil.copyfile(self._flash_path, goal_flash)
        self._card.take_back(touched)


def decoded_frames(path):
    """Marks (marks.py) of every frame the decoder finds in an image, by (log id, boot)."""
    try:
        source = open_source(path)
    except InputError:
        return {}
    everything = read(source.buffers)
    found = {}
    for rows, keys in zip(everything.rows, everything.row_keys, strict=True):
        if len(rows):
            marks = marks_of_rows(np.ascontiguousarray(rows).view(np.uint8).reshape(len(rows), -1))
            for key in np.unique(keys).tolist():
                found.setdefault(everything.keys.pairs[key], []).append(marks[keys == key])
    return {key: joined(*parts) for key, parts in found.items()}


def fsck_text(path):
    """What fsck.fat -n finds wrong; "" for nothing."""
    done = subprocess.run(["fsck.fat", "-n", str(path)], capture_output=True, text=True)
    return "" if done.returncode == 0 else done.stdout + done.stderr

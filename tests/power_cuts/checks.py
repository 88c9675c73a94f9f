"""What must hold after a cut and a restart; each broken promise is one line.

Expected are the frames that stand in the sectors as they were written (by_hand.py), not what the decoder made of them.
"""

from dataclasses import dataclass, field

import numpy as np

from ground.simulator.board.write_journal import CARD_WRITE
from shared_protocol import events
from tests.power_cuts import by_hand
from tests.power_cuts.copy_frames import committed_after, intact_frames
from tests.power_cuts.journal import metadata_blocks
from tests.power_cuts.marks import EMPTY, joined, marks, without

RESUME_US_MAX = 2_000_000


@dataclass
class Tally:
    """Counts over many cases."""

    cases: int = 0
    arming: int = 0  # cuts in or before arming
    flash: int = 0  # cuts at operations of the flash
    fsck: int = 0  # cuts after arming looked at by fsck.fat, before and after the restart
    fsck_arming_unclean: int = 0  # cuts while arming after which fsck.fat finds something
    frames: int = 0  # committed before the cut, summed over the cases
    dropped: int = 0  # of these dropped by the card itself
    copy_frames: int = 0  # of the second copy, committed before the cut, summed over the cases
    torn_old: int = 0  # torn sectors that end in intact frames of an older flight
    resume_us_max: int = 0  # from power-up to the first sector on the card
    failures: list = field(default_factory=list)

    def add(self, other):
        """Sum of both; failures joined."""
        for name, value in vars(other).items():
            mine = getattr(self, name)
            setattr(self, name, max(mine, value) if name == "resume_us_max" else mine + value)


class Judge:
    """Knows of one recorded flight what each write committed."""

    def __init__(self, recorded):
        self.recorded = recorded
        writes = recorded.writes
        self._data_from = metadata_blocks(recorded.card_before)
        self._owned = [by_hand.owned_frames(w.data) if self._is_sector(w) else (None, []) for w in writes]
        metadata = [n for n, w in enumerate(writes, 1) if w.what == CARD_WRITE and w.block < self._data_from]
        self.armed = max(metadata, default=0)
        self._keys = {key for key, _ in self._owned if key} | {key for key, _ in recorded.copy}
        self._log_ids = {log_id for log_id, _ in self._keys}
        self._older_keys = _frames_on(recorded.card_before)
        self._older = {key: marks(frames) for key, frames in self._older_keys.items()}
        safe = committed_after(writes, recorded.copy)
        copied = sorted(zip(safe, recorded.copy, strict=True), key=lambda pair: pair[0])
        self._card = _Timeline(enumerate(self._owned, 1))
        self._copy = _Timeline(copied)
        signed = _Timeline([*enumerate(self._owned, 1), *copied])
        self._signed = {key: signed.until(key, len(writes)) for key in self._keys}

    def _is_sector(self, write):
        return write.what == CARD_WRITE and write.block >= self._data_from

    def committed(self, number):
        """(log id, boot) -> marks of the frames in the card's sectors up to write `number`."""
        return {key: self._card.until(key, number) for key in self._card.keys}

    def judge(self, cut, after, tally):
        """Count one case, and note what is broken in it."""
        broken = []
        dropped = cut.dropped(self.recorded.writes)
        is_armed = cut.done >= self.armed and not any(number <= self.armed for number in dropped)
        tally.cases += 1
        tally.arming += not is_armed
        tally.flash += self.recorded.writes[cut.number - 1].what != CARD_WRITE
        self._card_is_right(cut, dropped, after, tally, broken)
        self._copy_is_right(cut, after, tally, broken)
        self._board_goes_on(after, broken)
        if is_armed:
            tally.fsck += 1
            if after.fsck_before or after.fsck_after:
                broken.append("fsck.fat: " + (after.fsck_before or after.fsck_after).replace("\n", "; "))
            self._it_resumes(after, tally, broken)
        else:
            tally.fsck_arming_unclean += bool(after.fsck_before)
        if broken:
            tally.failures.append((cut.command(), broken))

    # --- the card --------------------------------------------------------------------------------------------

    def _card_is_right(self, cut, dropped, after, tally, broken):
        sure = self.committed(cut.done)
        lost = self._marks_by_key(self._owned[number - 1] for number in dropped)
        more = self._of_the_restart(cut, sure, after, tally, broken)
        tally.frames += sum(map(len, sure.values()))
        tally.dropped += sum(map(len, lost.values()))
        is_used = self.recorded.name == "used"  # the older log is overwritten by and by
        older = {} if is_used else self._older
        for key in sorted(sure.keys() | more.keys() | older.keys() | after.decoded.keys()):
            is_older = key[0] not in self._log_ids and key not in more
            if is_older and is_used:
                continue
            found, extra = after.decoded.get(key, EMPTY), more.get(key, EMPTY)
            base = older.get(key, EMPTY) if is_older else sure.get(key, EMPTY)
            there = joined(without(base, lost.get(key, EMPTY)), extra)
            gone, wrong = without(there, found), without(found, there)
            if len(gone):
                broken.append(f"card, log {key[0]:08x}, boot {key[1]}: {len(gone)} frames are lost")
            if len(wrong):
                broken.append(f"card, log {key[0]:08x}, boot {key[1]}: {len(wrong)} frames never got there")

    def _of_the_restart(self, cut, sure, after, tally, broken):
        """What the restart wrote, and what lies whole in the new part of a torn sector, by key."""
        pairs = [by_hand.owned_frames(write.data) for write in after.writes if self._is_sector(write)]
        begun = {key for key, frames in sure.items() if len(frames)}  # the flight's later boots have not been yet
        for key in {key for key, _ in pairs if key} & begun:
            broken.append(f"the restart writes as boot {key[1]}, which the log already has")
        if after.torn is not None and cut.kind == "torn":
            begin = max(cut.split + cut.split % 2, by_hand.HEADER_BYTES)
            tally.torn_old += any(by_hand.frames(after.torn, key, begin) for key in self._older_keys)
            key, _ = self._owned[cut.number - 1]
            if key and cut.split >= by_hand.HEADER_BYTES:
                pairs.append((key, by_hand.frames(after.torn, key, end=cut.split)))
        return self._marks_by_key(pairs)

    def _restarted_boot(self, cut, after):
        """Number of the boot that the restart was; a later one of the recorded flight may have had the same."""
        past = {key[1] for key, frames in self.committed(cut.done).items() if len(frames)}
        heads = [by_hand.owned_frames(write.data)[0] for write in after.writes if self._is_sector(write)]
        return next((key[1] for key in heads if key and key[1] not in past), None)

    def _marks_by_key(self, pairs):
        frames = {}
        for key, some in pairs:
            if key:
                frames.setdefault(key, []).extend(some)
        return {key: marks(some) for key, some in frames.items()}

    # --- the second copy -------------------------------------------------------------------------------------

    def _copy_is_right(self, cut, after, tally, broken):
        is_flash_cut = self.recorded.writes[cut.number - 1].what != CARD_WRITE
        there = intact_frames(after.flash, self._keys) if is_flash_cut else {}
        restarted = self._restarted_boot(cut, after)
        for key in self._keys:
            if key[1] == restarted:
                continue  # frames of the restart itself, which the flight as it was flown knows nothing of
            found, safe = after.decoded_flash.get(key, EMPTY), self._copy.until(key, cut.done)
            tally.copy_frames += len(safe)
            gone, wrong = without(safe, found), without(found, self._signed[key])
            if len(gone):
                broken.append(f"copy, boot {key[1]}: {len(gone)} frames are lost")
            if len(wrong):
                broken.append(f"copy, boot {key[1]}: {len(wrong)} frames that nobody signed")
            overlooked = without(marks(there.get(key, ())), after.flash_at_cut.get(key, EMPTY))
            if len(overlooked):
                broken.append(f"copy, boot {key[1]}: {len(overlooked)} intact frames overlooked")

    # --- the board -------------------------------------------------------------------------------------------

    def _board_goes_on(self, after, broken):
        report = after.report
        if report["reason"] != "end_of_world":
            broken.append(f"the restarted board ended by {report['reason']}: {report['detail']}")
        if report["escaped"]:
            broken.append(report["escaped"].strip().splitlines()[-1])
        broken += [f"{one['who']}: {one['what']}" for one in report["objections"]]
        codes = self._events_of(after)
        if events.SETTINGS_DEFAULTED in codes:
            broken.append("the settings in the flash are gone")
        if events.LOG_RESUMED not in codes and events.LOG_ARMED not in codes:
            broken.append("no log was opened after the restart")

    def _it_resumes(self, after, tally, broken):
        """Resumed in time and without touching the file system."""
        counts = after.report["counts"]
        touched = [region for region in ("boot", "fat", "directory") if counts.get("card_writes_" + region)]
        if touched:
            broken.append("the restart wrote to: " + ", ".join(touched))
        if events.LOG_RESUMED not in self._events_of(after):
            broken.append("the log was not resumed")
        tally.resume_us_max = max(tally.resume_us_max, after.first_write_us)
        if not 0 < after.first_write_us <= RESUME_US_MAX:
            broken.append(f"first sector {after.first_write_us / 1e6:.2f} s after power-up")

    def _events_of(self, after):
        frames = [one for w in after.writes if self._is_sector(w) for one in by_hand.owned_frames(w.data)[1]]
        return [code for _, code in by_hand.events(frames)]


class _Timeline:
    """Marks of frames by key, with the number of the write that made them safe, which rises."""

    def __init__(self, numbered):
        parts = {}
        for number, (key, frames) in numbered:
            if key and frames:
                parts.setdefault(key, []).append((number, marks(frames)))
        self._marks = {key: np.concatenate([some for _, some in parts]) for key, parts in parts.items()}
        self._numbers = {
            key: np.concatenate([np.full(len(some), number) for number, some in parts]) for key, parts in parts.items()
        }

    @property
    def keys(self):
        return self._marks.keys()

    def until(self, key, number):
        """Marks of a key up to a write, each once, rising."""
        if key not in self._marks:
            return EMPTY
        return np.unique(self._marks[key][self._numbers[key] <= number])


def _frames_on(image):
    """(log id, boot) -> frames of all sectors that lie on a card, by hand."""
    found = {}
    with open(image, "rb") as file:
        while sector := file.read(by_hand.SECTOR):
            if sector[:4] == b"\xa5\x5a\x00\x10":
                key, frames = by_hand.owned_frames(sector)
                if key:
                    found.setdefault(key, set()).update(frames)
    return found
